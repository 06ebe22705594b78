-- What the files of an edition say about themselves; the columns are for lists, the JSON texts hold all.
CREATE TABLE edition_check (
    source INTEGER NOT NULL,
    edition INTEGER NOT NULL,
    areas INTEGER NOT NULL,
    by_ten_ppm INTEGER,
    short_ids INTEGER NOT NULL,
    scientific_ids INTEGER NOT NULL,
    sums_failed INTEGER NOT NULL,
    counts TEXT NOT NULL,
    doubles TEXT NOT NULL,
    changes TEXT NOT NULL,
    remarks TEXT NOT NULL,
    gates TEXT NOT NULL,
    PRIMARY KEY (source, edition),
    FOREIGN KEY (source, edition) REFERENCES edition (source, number)
) STRICT;
