-- The line index of an edition: what of its file the next one is held against. Block 0 says what the index is good for,
-- blocks from 1 hold 16 bytes a row in the file's order, -1 the numbers of records that have to be read again, -2 numbers
-- that became none.
CREATE TABLE line_block (
    source BIGINT NOT NULL,
    edition BIGINT NOT NULL,
    file BIGINT NOT NULL,
    number BIGINT NOT NULL,
    content BYTEA NOT NULL,
    PRIMARY KEY (source, edition, file, number)
);
-- hashes do not compress
ALTER TABLE line_block ALTER COLUMN content SET STORAGE EXTERNAL;
