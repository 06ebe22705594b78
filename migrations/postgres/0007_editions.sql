-- Life of editions: held for a person, withdrawn, gathered in sets, expected and overdue, folded into the base.
ALTER TABLE edition DROP CONSTRAINT edition_state_check;
ALTER TABLE edition ADD CONSTRAINT edition_state_check CHECK (state IN ('staged', 'held', 'current', 'past', 'refused', 'withdrawn'));
-- The edition that it was loaded against; null for a first one, and for editions from before this was kept.
ALTER TABLE edition ADD COLUMN base BIGINT;
-- The day that its figures are of, as the sender states it.
ALTER TABLE edition ADD COLUMN as_of TEXT COLLATE "C" NOT NULL DEFAULT '';
-- Median of the areas, square micrometres.
ALTER TABLE edition ADD COLUMN median_um2 BIGINT;
-- Why it was held, a JSON array, kept when it was decided.
ALTER TABLE edition ADD COLUMN held_for TEXT COLLATE "C" NOT NULL DEFAULT '';
ALTER TABLE edition ADD COLUMN decided_by TEXT COLLATE "C" NOT NULL DEFAULT '';
ALTER TABLE edition ADD COLUMN decided_at BIGINT;
-- Names of its columns, a JSON array, once it was read.
ALTER TABLE edition_file ADD COLUMN header TEXT COLLATE "C" NOT NULL DEFAULT '';
DROP INDEX edition_identity;
CREATE UNIQUE INDEX edition_identity ON edition (source, identity) WHERE state NOT IN ('refused', 'withdrawn');

ALTER TABLE job DROP CONSTRAINT job_kind_check;
ALTER TABLE job ADD CONSTRAINT job_kind_check CHECK (kind IN ('import', 'reconcile', 'compact'));

-- What a source's editions may change before a person is asked, and when they are expected: a JSON document, whose
-- missing words have their usual values.
CREATE TABLE source_limits (
    source BIGINT NOT NULL PRIMARY KEY REFERENCES source (number),
    document TEXT COLLATE "C" NOT NULL,
    saved_at BIGINT NOT NULL,
    -- the arrival after which it was told that the next one is overdue; 0 when it never was
    overdue_told BIGINT NOT NULL DEFAULT 0
);

-- Files that make one edition together, gathered until they are complete.
CREATE TABLE edition_set (
    source BIGINT NOT NULL REFERENCES source (number),
    number BIGINT NOT NULL,
    state TEXT COLLATE "C" NOT NULL CHECK (state IN ('gathering', 'complete', 'expired', 'given up')),
    expected TEXT COLLATE "C" NOT NULL,
    mixed BIGINT NOT NULL,
    roll_year BIGINT,
    status TEXT COLLATE "C" NOT NULL CHECK (status IN ('preliminary', 'certified', 'corrected', 'not stated')),
    begun_at BIGINT NOT NULL,
    due_at BIGINT NOT NULL,
    expires_at BIGINT NOT NULL,
    overdue_told BIGINT NOT NULL DEFAULT 0,
    edition BIGINT,
    PRIMARY KEY (source, number)
);

CREATE TABLE edition_set_file (
    source BIGINT NOT NULL,
    edition_set BIGINT NOT NULL,
    name TEXT COLLATE "C" NOT NULL,
    sha256 TEXT COLLATE "C" NOT NULL,
    bytes BIGINT NOT NULL,
    object_key TEXT COLLATE "C" NOT NULL,
    as_of TEXT COLLATE "C" NOT NULL,
    received_at BIGINT NOT NULL,
    PRIMARY KEY (source, edition_set, name),
    FOREIGN KEY (source, edition_set) REFERENCES edition_set (source, number)
);

-- Up to which edition the changes were folded into the base, and the highest record number that was ever given.
ALTER TABLE source ADD COLUMN folded_to BIGINT NOT NULL DEFAULT 0;
ALTER TABLE source ADD COLUMN numbers_given BIGINT NOT NULL DEFAULT 0;

-- Versions that are older than the base, since changes were folded into it: read for history only.
CREATE TABLE record_past (
    source BIGINT NOT NULL,
    edition BIGINT NOT NULL,
    number BIGINT NOT NULL,
    what TEXT COLLATE "C" NOT NULL CHECK (what IN ('new', 'changed', 'ended')),
    parcel_key TEXT COLLATE "C" NOT NULL,
    parcel_raw TEXT COLLATE "C" NOT NULL,
    situs TEXT COLLATE "C" NOT NULL,
    area_um2 BIGINT,
    value_cents BIGINT,
    year_built BIGINT,
    class TEXT COLLATE "C" NOT NULL,
    rest TEXT COLLATE "C" NOT NULL,
    content_hash BIGINT NOT NULL,
    file BIGINT NOT NULL,
    line BIGINT NOT NULL,
    byte_start BIGINT NOT NULL,
    byte_length BIGINT NOT NULL,
    conflict BIGINT NOT NULL,
    PRIMARY KEY (source, number, edition)
);
CREATE INDEX record_past_edition ON record_past (source, edition, number);
CREATE INDEX record_past_key ON record_past (source, parcel_key, edition);

-- Who writes the records of the source: a worker that finds another token writes nothing more.
CREATE TABLE record_writer (
    source BIGINT NOT NULL PRIMARY KEY,
    token TEXT COLLATE "C" NOT NULL
);
