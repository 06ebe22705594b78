-- Life of editions: held for a person, withdrawn, gathered in sets, expected and overdue, folded into the base.
-- Checks cannot be altered: the tables are made anew. Tables that refer to one another are renamed together.
CREATE TABLE edition_new (
    source INTEGER NOT NULL REFERENCES source (number),
    number INTEGER NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('staged', 'held', 'current', 'past', 'refused', 'withdrawn')),
    identity TEXT NOT NULL,
    layout TEXT NOT NULL,
    layout_version TEXT NOT NULL,
    roll_year INTEGER,
    status TEXT NOT NULL CHECK (status IN ('preliminary', 'certified', 'corrected', 'not stated')),
    received_at INTEGER NOT NULL,
    rows_total INTEGER NOT NULL DEFAULT 0,
    rows_entered INTEGER NOT NULL DEFAULT 0,
    rows_repeated INTEGER NOT NULL DEFAULT 0,
    rows_rejected INTEGER NOT NULL DEFAULT 0,
    records_new INTEGER NOT NULL DEFAULT 0,
    records_changed INTEGER NOT NULL DEFAULT 0,
    records_ended INTEGER NOT NULL DEFAULT 0,
    records_unchanged INTEGER NOT NULL DEFAULT 0,
    refusal TEXT NOT NULL DEFAULT '',
    -- the edition that it was loaded against; null for a first one, and for editions from before this was kept
    base INTEGER,
    -- the day that its figures are of, as the sender states it
    as_of TEXT NOT NULL DEFAULT '',
    -- median of the areas, square micrometres
    median_um2 INTEGER,
    -- why it was held, a JSON array, kept when it was decided
    held_for TEXT NOT NULL DEFAULT '',
    decided_by TEXT NOT NULL DEFAULT '',
    decided_at INTEGER,
    PRIMARY KEY (source, number)
) STRICT;
INSERT INTO edition_new (source, number, state, identity, layout, layout_version, roll_year, status, received_at, rows_total, rows_entered, rows_repeated, rows_rejected, records_new, records_changed, records_ended, records_unchanged, refusal)
SELECT source, number, state, identity, layout, layout_version, roll_year, status, received_at, rows_total, rows_entered, rows_repeated, rows_rejected, records_new, records_changed, records_ended, records_unchanged, refusal FROM edition;

CREATE TABLE edition_file_new (
    source INTEGER NOT NULL,
    edition INTEGER NOT NULL,
    number INTEGER NOT NULL,
    name TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    bytes INTEGER NOT NULL,
    object_key TEXT NOT NULL,
    -- names of its columns, a JSON array, once it was read
    header TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (source, edition, number),
    FOREIGN KEY (source, edition) REFERENCES edition_new (source, number)
) STRICT;
INSERT INTO edition_file_new (source, edition, number, name, sha256, bytes, object_key)
SELECT source, edition, number, name, sha256, bytes, object_key FROM edition_file;

DROP TABLE edition_file;
DROP TABLE edition;
ALTER TABLE edition_new RENAME TO edition;
ALTER TABLE edition_file_new RENAME TO edition_file;
CREATE UNIQUE INDEX edition_identity ON edition (source, identity) WHERE state NOT IN ('refused', 'withdrawn');

CREATE TABLE job_new (
    id TEXT NOT NULL PRIMARY KEY,
    office TEXT REFERENCES office (id),
    kind TEXT NOT NULL CHECK (kind IN ('import', 'reconcile', 'compact')),
    payload TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('queued', 'running', 'done', 'failed')),
    dedup_key TEXT NOT NULL,
    exclusive_key TEXT NOT NULL,
    attempts INTEGER NOT NULL DEFAULT 0,
    not_before INTEGER NOT NULL DEFAULT 0,
    lease_token TEXT,
    lease_until INTEGER,
    progress INTEGER NOT NULL DEFAULT 0,
    progress_total INTEGER,
    resume TEXT NOT NULL DEFAULT '',
    reason TEXT NOT NULL DEFAULT '',
    created_at INTEGER NOT NULL,
    ended_at INTEGER,
    CHECK ((state = 'running') = (lease_token IS NOT NULL))
) STRICT;
INSERT INTO job_new (id, office, kind, payload, state, dedup_key, exclusive_key, attempts, not_before, lease_token, lease_until, progress, progress_total, resume, reason, created_at, ended_at)
SELECT id, office, kind, payload, state, dedup_key, exclusive_key, attempts, not_before, lease_token, lease_until, progress, progress_total, resume, reason, created_at, ended_at FROM job;
DROP TABLE job;
ALTER TABLE job_new RENAME TO job;
CREATE UNIQUE INDEX job_queued_once ON job (dedup_key) WHERE state = 'queued';
CREATE UNIQUE INDEX job_running_alone ON job (exclusive_key) WHERE state = 'running';
CREATE INDEX job_state ON job (state, created_at, id);

-- What a source's editions may change before a person is asked, and when they are expected: a JSON document, whose
-- missing words have their usual values.
CREATE TABLE source_limits (
    source INTEGER NOT NULL PRIMARY KEY REFERENCES source (number),
    document TEXT NOT NULL,
    saved_at INTEGER NOT NULL,
    -- the arrival after which it was told that the next one is overdue; 0 when it never was
    overdue_told INTEGER NOT NULL DEFAULT 0
) STRICT;

-- Files that make one edition together, gathered until they are complete.
CREATE TABLE edition_set (
    source INTEGER NOT NULL REFERENCES source (number),
    number INTEGER NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('gathering', 'complete', 'expired', 'given up')),
    expected TEXT NOT NULL,
    mixed INTEGER NOT NULL,
    roll_year INTEGER,
    status TEXT NOT NULL CHECK (status IN ('preliminary', 'certified', 'corrected', 'not stated')),
    begun_at INTEGER NOT NULL,
    due_at INTEGER NOT NULL,
    expires_at INTEGER NOT NULL,
    overdue_told INTEGER NOT NULL DEFAULT 0,
    edition INTEGER,
    PRIMARY KEY (source, number)
) STRICT;

CREATE TABLE edition_set_file (
    source INTEGER NOT NULL,
    edition_set INTEGER NOT NULL,
    name TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    bytes INTEGER NOT NULL,
    object_key TEXT NOT NULL,
    as_of TEXT NOT NULL,
    received_at INTEGER NOT NULL,
    PRIMARY KEY (source, edition_set, name),
    FOREIGN KEY (source, edition_set) REFERENCES edition_set (source, number)
) STRICT;

-- Up to which edition the changes were folded into the base, and the highest record number that was ever given.
ALTER TABLE source ADD COLUMN folded_to INTEGER NOT NULL DEFAULT 0;
ALTER TABLE source ADD COLUMN numbers_given INTEGER NOT NULL DEFAULT 0;
