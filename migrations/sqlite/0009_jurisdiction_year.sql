-- What a jurisdiction says about one year, in versions that are never changed: the document as JSON.
CREATE TABLE jurisdiction_year (
    jurisdiction TEXT NOT NULL,
    year INTEGER NOT NULL,
    version INTEGER NOT NULL,
    document TEXT NOT NULL,
    actor TEXT NOT NULL,
    label TEXT NOT NULL,
    saved_at INTEGER NOT NULL,
    PRIMARY KEY (jurisdiction, year, version)
) STRICT;

-- Editions that an office made itself of rows that stood in quarantine; what they do not name stays as it is.
CREATE TABLE edition_mend (
    source INTEGER NOT NULL,
    edition INTEGER NOT NULL,
    mends INTEGER NOT NULL,
    mended_by TEXT NOT NULL,
    reason TEXT NOT NULL,
    actor TEXT NOT NULL,
    mended_at INTEGER NOT NULL,
    PRIMARY KEY (source, edition),
    FOREIGN KEY (source, edition) REFERENCES edition (source, number)
) STRICT;

-- Counts of one source against another, which cost a pass over both: editions do not change.
CREATE TABLE source_comparison (
    source INTEGER NOT NULL REFERENCES source (number),
    edition INTEGER NOT NULL,
    other INTEGER NOT NULL REFERENCES source (number),
    other_edition INTEGER NOT NULL,
    tolerance TEXT NOT NULL,
    counts TEXT NOT NULL,
    made_at INTEGER NOT NULL,
    PRIMARY KEY (source, edition, other, other_edition, tolerance)
) STRICT;
