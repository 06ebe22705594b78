-- How a file is kept: plain, as it was received, or packed into frames; and the bytes that it then takes.
ALTER TABLE edition_file ADD COLUMN form TEXT COLLATE "C" NOT NULL DEFAULT 'plain' CHECK (form IN ('plain', 'frames'));
ALTER TABLE edition_file ADD COLUMN kept_bytes BIGINT;
-- The same bytes may belong to several editions.
CREATE INDEX edition_file_sha256 ON edition_file (sha256);
CREATE INDEX edition_file_object ON edition_file (object_key);

-- Kinds of jobs more.
ALTER TABLE job DROP CONSTRAINT job_kind_check;
ALTER TABLE job ADD CONSTRAINT job_kind_check CHECK (kind IN ('import', 'reconcile', 'compact', 'keep', 'fetch'));

-- Where a source is fetched from, when, and what last came of it.
CREATE TABLE source_fetch (
    source BIGINT NOT NULL PRIMARY KEY REFERENCES source (number),
    url TEXT COLLATE "C" NOT NULL,
    checksum_url TEXT COLLATE "C" NOT NULL,
    layout TEXT COLLATE "C" NOT NULL,
    bytes_max BIGINT NOT NULL,
    cron TEXT COLLATE "C" NOT NULL,
    time_zone TEXT COLLATE "C" NOT NULL,
    next_at BIGINT,
    etag TEXT COLLATE "C" NOT NULL DEFAULT '',
    last_modified TEXT COLLATE "C" NOT NULL DEFAULT '',
    tried_at BIGINT,
    result TEXT COLLATE "C" NOT NULL DEFAULT ''
);
