-- The name of a text in its archive or workbook, where the received file gives several: each text is a file of the
-- edition then, and they share the original, its hash and its length.
ALTER TABLE edition_file ADD COLUMN within TEXT;
