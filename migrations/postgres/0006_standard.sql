-- Definitions of floor area of an office's own, in versions that are never changed, as JSON.
CREATE TABLE standard (
    office TEXT COLLATE "C" NOT NULL REFERENCES office (id),
    id TEXT COLLATE "C" NOT NULL,
    version BIGINT NOT NULL,
    document TEXT COLLATE "C" NOT NULL,
    saved_at BIGINT NOT NULL,
    PRIMARY KEY (office, id, version)
);
