-- The line index of an edition: what of its file the next one is held against. Files made before it get it with their
-- next edition. Block 0 says what the index is good for, blocks from 1 hold 16 bytes a row in the file's order, -1 the
-- numbers of records that have to be read again, -2 numbers that became none.
CREATE TABLE IF NOT EXISTS line_block (
    source INTEGER NOT NULL,
    edition INTEGER NOT NULL,
    file INTEGER NOT NULL,
    number INTEGER NOT NULL,
    content BLOB NOT NULL,
    PRIMARY KEY (source, edition, file, number)
) STRICT;
