-- What the service needs beside the main job.
-- What people settled about matches: appended, the newest of a pair counts.
CREATE TABLE match_decision (
    office TEXT NOT NULL,
    property TEXT NOT NULL,
    source INTEGER NOT NULL REFERENCES source (number),
    number INTEGER NOT NULL,
    at INTEGER NOT NULL,
    actor TEXT NOT NULL,
    verdict TEXT NOT NULL CHECK (verdict IN ('same', 'other', 'undone')),
    record_number INTEGER NOT NULL,
    note TEXT NOT NULL,
    PRIMARY KEY (office, property, source, number),
    FOREIGN KEY (office, property) REFERENCES property (office, id)
) STRICT;

-- A browser that signed in with a key. The cookie's value is not kept, only its hash.
CREATE TABLE session (
    id_sha256 BLOB NOT NULL PRIMARY KEY,
    access_key TEXT NOT NULL REFERENCES access_key (id),
    created_at INTEGER NOT NULL,
    expires_at INTEGER NOT NULL
) STRICT;

-- Answers of requests that carried an idempotency key, until they expire.
CREATE TABLE idempotency (
    scope TEXT NOT NULL,
    route TEXT NOT NULL,
    key TEXT NOT NULL,
    request_sha256 TEXT NOT NULL,
    status INTEGER,
    answer TEXT NOT NULL DEFAULT '',
    expires_at INTEGER NOT NULL,
    PRIMARY KEY (scope, route, key)
) STRICT;

-- When something is done by itself: runs of an office, drop folders of a source.
CREATE TABLE schedule (
    id TEXT NOT NULL PRIMARY KEY,
    office TEXT REFERENCES office (id),
    source INTEGER REFERENCES source (number),
    kind TEXT NOT NULL CHECK (kind IN ('reconcile', 'drop_folder')),
    cron TEXT NOT NULL,
    time_zone TEXT NOT NULL,
    folder TEXT NOT NULL DEFAULT '',
    next_at INTEGER NOT NULL,
    last_at INTEGER,
    last_result TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX schedule_next ON schedule (next_at, id);

-- Events of a source or an edition, not of a house.
CREATE TABLE notice (
    id TEXT NOT NULL PRIMARY KEY,
    office TEXT REFERENCES office (id),
    source INTEGER REFERENCES source (number),
    kind TEXT NOT NULL,
    detail TEXT NOT NULL,
    at INTEGER NOT NULL,
    seen_at INTEGER
) STRICT;
CREATE INDEX notice_at ON notice (at, id);

-- Who did what: keys, policies, decisions, editions. Appended only.
CREATE TABLE audit_log (
    id TEXT NOT NULL PRIMARY KEY,
    at INTEGER NOT NULL,
    office TEXT,
    actor TEXT NOT NULL,
    action TEXT NOT NULL,
    subject TEXT NOT NULL,
    detail TEXT NOT NULL
) STRICT;
CREATE INDEX audit_log_office ON audit_log (office, id);

-- Lists of findings: by state, the newest change first.
CREATE INDEX finding_state ON finding (office, state, source, id);
