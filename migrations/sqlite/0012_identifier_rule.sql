-- How a jurisdiction's parcel numbers become keys, in versions that are never changed: the document as JSON.
CREATE TABLE identifier_rule (
    jurisdiction TEXT NOT NULL,
    version INTEGER NOT NULL,
    document TEXT NOT NULL,
    actor TEXT NOT NULL,
    label TEXT NOT NULL,
    saved_at INTEGER NOT NULL,
    PRIMARY KEY (jurisdiction, version)
) STRICT;
