-- Definitions of floor area of an office's own, in versions that are never changed, as JSON.
CREATE TABLE standard (
    office TEXT NOT NULL REFERENCES office (id),
    id TEXT NOT NULL,
    version INTEGER NOT NULL,
    document TEXT NOT NULL,
    saved_at INTEGER NOT NULL,
    PRIMARY KEY (office, id, version)
) STRICT;
