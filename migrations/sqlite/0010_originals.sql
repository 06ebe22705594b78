-- How a file is kept: plain, as it was received, or packed into frames; and the bytes that it then takes.
ALTER TABLE edition_file ADD COLUMN form TEXT NOT NULL DEFAULT 'plain' CHECK (form IN ('plain', 'frames'));
ALTER TABLE edition_file ADD COLUMN kept_bytes INTEGER;
-- The same bytes may belong to several editions.
CREATE INDEX edition_file_sha256 ON edition_file (sha256);
CREATE INDEX edition_file_object ON edition_file (object_key);

-- Kinds of jobs more: a check cannot be changed in place here.
CREATE TABLE job_anew (
    id TEXT NOT NULL PRIMARY KEY,
    office TEXT REFERENCES office (id),
    kind TEXT NOT NULL CHECK (kind IN ('import', 'reconcile', 'compact', 'keep', 'fetch')),
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
INSERT INTO job_anew SELECT id, office, kind, payload, state, dedup_key, exclusive_key, attempts, not_before, lease_token,
    lease_until, progress, progress_total, resume, reason, created_at, ended_at FROM job;
DROP TABLE job;
ALTER TABLE job_anew RENAME TO job;
CREATE UNIQUE INDEX job_queued_once ON job (dedup_key) WHERE state = 'queued';
CREATE UNIQUE INDEX job_running_alone ON job (exclusive_key) WHERE state = 'running';
CREATE INDEX job_state ON job (state, created_at, id);

-- Where a source is fetched from, when, and what last came of it.
CREATE TABLE source_fetch (
    source INTEGER NOT NULL PRIMARY KEY REFERENCES source (number),
    url TEXT NOT NULL,
    checksum_url TEXT NOT NULL,
    layout TEXT NOT NULL,
    bytes_max INTEGER NOT NULL,
    cron TEXT NOT NULL,
    time_zone TEXT NOT NULL,
    next_at INTEGER,
    etag TEXT NOT NULL DEFAULT '',
    last_modified TEXT NOT NULL DEFAULT '',
    tried_at INTEGER,
    result TEXT NOT NULL DEFAULT ''
) STRICT;
