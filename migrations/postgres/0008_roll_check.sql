-- What the files of an edition say about themselves; the columns are for lists, the JSON texts hold all.
CREATE TABLE edition_check (
    source BIGINT NOT NULL,
    edition BIGINT NOT NULL,
    areas BIGINT NOT NULL,
    by_ten_ppm BIGINT,
    short_ids BIGINT NOT NULL,
    scientific_ids BIGINT NOT NULL,
    sums_failed BIGINT NOT NULL,
    counts TEXT COLLATE "C" NOT NULL,
    doubles TEXT COLLATE "C" NOT NULL,
    changes TEXT COLLATE "C" NOT NULL,
    remarks TEXT COLLATE "C" NOT NULL,
    gates TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (source, edition),
    FOREIGN KEY (source, edition) REFERENCES edition (source, number)
);
