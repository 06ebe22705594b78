-- Added to the file of a source when it is opened: every statement may find its work done.
-- Versions that are older than the base, since changes were folded into it: read for history only.
CREATE TABLE IF NOT EXISTS record_past (
    source INTEGER NOT NULL,
    edition INTEGER NOT NULL,
    number INTEGER NOT NULL,
    what TEXT NOT NULL CHECK (what IN ('new', 'changed', 'ended')),
    parcel_key TEXT NOT NULL,
    parcel_raw TEXT NOT NULL,
    situs TEXT NOT NULL,
    area_um2 INTEGER,
    value_cents INTEGER,
    year_built INTEGER,
    class TEXT NOT NULL,
    rest TEXT NOT NULL,
    content_hash INTEGER NOT NULL,
    file INTEGER NOT NULL,
    line INTEGER NOT NULL,
    byte_start INTEGER NOT NULL,
    byte_length INTEGER NOT NULL,
    conflict INTEGER NOT NULL,
    PRIMARY KEY (number, edition)
) STRICT;
CREATE INDEX IF NOT EXISTS record_past_edition ON record_past (edition, number);
CREATE INDEX IF NOT EXISTS record_past_key ON record_past (parcel_key, edition);

-- Who writes the records of the source: a worker that finds another token writes nothing more.
CREATE TABLE IF NOT EXISTS record_writer (
    source INTEGER NOT NULL PRIMARY KEY,
    token TEXT NOT NULL
) STRICT;
