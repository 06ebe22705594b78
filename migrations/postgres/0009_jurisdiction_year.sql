-- What a jurisdiction says about one year, in versions that are never changed: the document as JSON.
CREATE TABLE jurisdiction_year (
    jurisdiction TEXT COLLATE "C" NOT NULL,
    year BIGINT NOT NULL,
    version BIGINT NOT NULL,
    document TEXT COLLATE "C" NOT NULL,
    actor TEXT COLLATE "C" NOT NULL,
    label TEXT COLLATE "C" NOT NULL,
    saved_at BIGINT NOT NULL,
    PRIMARY KEY (jurisdiction, year, version)
);

-- Editions that an office made itself of rows that stood in quarantine; what they do not name stays as it is.
CREATE TABLE edition_mend (
    source BIGINT NOT NULL,
    edition BIGINT NOT NULL,
    mends BIGINT NOT NULL,
    mended_by TEXT COLLATE "C" NOT NULL,
    reason TEXT COLLATE "C" NOT NULL,
    actor TEXT COLLATE "C" NOT NULL,
    mended_at BIGINT NOT NULL,
    PRIMARY KEY (source, edition),
    FOREIGN KEY (source, edition) REFERENCES edition (source, number)
);

-- Counts of one source against another, which cost a pass over both: editions do not change.
CREATE TABLE source_comparison (
    source BIGINT NOT NULL REFERENCES source (number),
    edition BIGINT NOT NULL,
    other BIGINT NOT NULL REFERENCES source (number),
    other_edition BIGINT NOT NULL,
    tolerance TEXT COLLATE "C" NOT NULL,
    counts TEXT COLLATE "C" NOT NULL,
    made_at BIGINT NOT NULL,
    PRIMARY KEY (source, edition, other, other_edition, tolerance)
);
