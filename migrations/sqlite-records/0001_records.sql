-- The file of one source. Loaded without index; the key is added after. No index leads with the source: it is the
-- same in every row, and without statistics the planner would take such an index for a selective one.
-- Records of a source: the base as first loaded, and what later editions changed (appended, never updated).
CREATE TABLE record (
    source INTEGER NOT NULL,
    number INTEGER NOT NULL PRIMARY KEY,
    since_edition INTEGER NOT NULL,
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
    conflict INTEGER NOT NULL
) STRICT;

CREATE TABLE record_change (
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
CREATE INDEX record_change_edition ON record_change (edition, number);
CREATE INDEX record_change_key ON record_change (parcel_key, edition);

CREATE TABLE reject (
    source INTEGER NOT NULL,
    edition INTEGER NOT NULL,
    number INTEGER NOT NULL,
    file INTEGER NOT NULL,
    line INTEGER NOT NULL,
    byte_start INTEGER NOT NULL,
    byte_length INTEGER NOT NULL,
    column_name TEXT,
    reason TEXT NOT NULL,
    detail TEXT NOT NULL,
    raw BLOB,
    PRIMARY KEY (edition, number)
) STRICT;
