-- How a jurisdiction's parcel numbers become keys, in versions that are never changed: the document as JSON.
CREATE TABLE identifier_rule (
    jurisdiction TEXT COLLATE "C" NOT NULL,
    version BIGINT NOT NULL,
    document TEXT COLLATE "C" NOT NULL,
    actor TEXT COLLATE "C" NOT NULL,
    label TEXT COLLATE "C" NOT NULL,
    saved_at BIGINT NOT NULL,
    PRIMARY KEY (jurisdiction, version)
);
