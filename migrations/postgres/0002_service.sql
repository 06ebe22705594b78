-- What the service needs beside the main job.
-- What people settled about matches: appended, the newest of a pair counts.
CREATE TABLE match_decision (
    office TEXT COLLATE "C" NOT NULL,
    property TEXT COLLATE "C" NOT NULL,
    source BIGINT NOT NULL REFERENCES source (number),
    number BIGINT NOT NULL,
    at BIGINT NOT NULL,
    actor TEXT COLLATE "C" NOT NULL,
    verdict TEXT COLLATE "C" NOT NULL CHECK (verdict IN ('same', 'other', 'undone')),
    record_number BIGINT NOT NULL,
    note TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (office, property, source, number),
    FOREIGN KEY (office, property) REFERENCES property (office, id)
);

-- A browser that signed in with a key. The cookie's value is not kept, only its hash.
CREATE TABLE session (
    id_sha256 BYTEA NOT NULL PRIMARY KEY,
    access_key TEXT COLLATE "C" NOT NULL REFERENCES access_key (id),
    created_at BIGINT NOT NULL,
    expires_at BIGINT NOT NULL
);

-- Answers of requests that carried an idempotency key, until they expire.
CREATE TABLE idempotency (
    scope TEXT COLLATE "C" NOT NULL,
    route TEXT COLLATE "C" NOT NULL,
    key TEXT COLLATE "C" NOT NULL,
    request_sha256 TEXT COLLATE "C" NOT NULL,
    status BIGINT,
    answer TEXT COLLATE "C" NOT NULL DEFAULT '',
    expires_at BIGINT NOT NULL,
    PRIMARY KEY (scope, route, key)
);

-- When something is done by itself: runs of an office, drop folders of a source.
CREATE TABLE schedule (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    office TEXT COLLATE "C" REFERENCES office (id),
    source BIGINT REFERENCES source (number),
    kind TEXT COLLATE "C" NOT NULL CHECK (kind IN ('reconcile', 'drop_folder')),
    cron TEXT COLLATE "C" NOT NULL,
    time_zone TEXT COLLATE "C" NOT NULL,
    folder TEXT COLLATE "C" NOT NULL DEFAULT '',
    next_at BIGINT NOT NULL,
    last_at BIGINT,
    last_result TEXT COLLATE "C" NOT NULL DEFAULT ''
);
CREATE INDEX schedule_next ON schedule (next_at, id);

-- Events of a source or an edition, not of a house.
CREATE TABLE notice (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    office TEXT COLLATE "C" REFERENCES office (id),
    source BIGINT REFERENCES source (number),
    kind TEXT COLLATE "C" NOT NULL,
    detail TEXT COLLATE "C" NOT NULL,
    at BIGINT NOT NULL,
    seen_at BIGINT
);
CREATE INDEX notice_at ON notice (at, id);

-- Who did what: keys, policies, decisions, editions. Appended only.
CREATE TABLE audit_log (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    at BIGINT NOT NULL,
    office TEXT COLLATE "C",
    actor TEXT COLLATE "C" NOT NULL,
    action TEXT COLLATE "C" NOT NULL,
    subject TEXT COLLATE "C" NOT NULL,
    detail TEXT COLLATE "C" NOT NULL
);
CREATE INDEX audit_log_office ON audit_log (office, id);

-- Lists of findings: by state, the newest change first.
CREATE INDEX finding_state ON finding (office, state, source, id);
