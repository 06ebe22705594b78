-- The line index lies with the records, in the file of each source: see sqlite-records/0002_line_block.sql.
SELECT 1;
