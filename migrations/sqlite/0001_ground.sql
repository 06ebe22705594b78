-- Main file: everything but the records of the sources. Times are microseconds UTC, areas square micrometres, money cents.
-- Offices, their people's keys, and what they measured.
CREATE TABLE office (
    id TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    created_at INTEGER NOT NULL
) STRICT;

CREATE TABLE access_key (
    id TEXT NOT NULL PRIMARY KEY,
    office TEXT REFERENCES office (id),
    role TEXT NOT NULL CHECK (role IN ('upload', 'review', 'consult', 'administer', 'batch', 'operator')),
    label TEXT NOT NULL,
    key_sha256 BLOB NOT NULL UNIQUE,
    created_at INTEGER NOT NULL,
    expires_at INTEGER,
    used_at INTEGER,
    CHECK ((office IS NULL) = (role = 'operator'))
) STRICT;

CREATE TABLE property (
    office TEXT NOT NULL REFERENCES office (id),
    id TEXT NOT NULL,
    reference TEXT NOT NULL,
    parcel TEXT NOT NULL,
    address TEXT NOT NULL,
    jurisdiction TEXT NOT NULL,
    year_built INTEGER,
    measured_on TEXT NOT NULL,
    measurement_version INTEGER NOT NULL,
    PRIMARY KEY (office, id),
    UNIQUE (office, reference)
) STRICT;

CREATE TABLE measurement (
    office TEXT NOT NULL,
    property TEXT NOT NULL,
    version INTEGER NOT NULL,
    measured_on TEXT NOT NULL,
    document TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    reason TEXT NOT NULL,
    received_at INTEGER NOT NULL,
    PRIMARY KEY (office, property, version),
    FOREIGN KEY (office, property) REFERENCES property (office, id)
) STRICT;

CREATE TABLE policy (
    office TEXT NOT NULL REFERENCES office (id),
    version INTEGER NOT NULL,
    document TEXT NOT NULL,
    saved_at INTEGER NOT NULL,
    PRIMARY KEY (office, version)
) STRICT;

-- Publishers of records, and what they published.
CREATE TABLE source (
    number INTEGER NOT NULL PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    title TEXT NOT NULL,
    publisher TEXT NOT NULL,
    jurisdiction TEXT NOT NULL,
    basis TEXT NOT NULL,
    derived_from TEXT NOT NULL,
    current_edition INTEGER,
    container TEXT,
    created_at INTEGER NOT NULL
) STRICT;

CREATE TABLE edition (
    source INTEGER NOT NULL REFERENCES source (number),
    number INTEGER NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('staged', 'current', 'past', 'refused')),
    identity TEXT NOT NULL,
    layout TEXT NOT NULL,
    layout_version TEXT NOT NULL,
    roll_year INTEGER,
    status TEXT NOT NULL CHECK (status IN ('preliminary', 'certified', 'corrected', 'not stated')),
    received_at INTEGER NOT NULL,
    rows_total INTEGER NOT NULL DEFAULT 0,
    rows_entered INTEGER NOT NULL DEFAULT 0,
    rows_repeated INTEGER NOT NULL DEFAULT 0,
    rows_rejected INTEGER NOT NULL DEFAULT 0,
    records_new INTEGER NOT NULL DEFAULT 0,
    records_changed INTEGER NOT NULL DEFAULT 0,
    records_ended INTEGER NOT NULL DEFAULT 0,
    records_unchanged INTEGER NOT NULL DEFAULT 0,
    refusal TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (source, number)
) STRICT;
CREATE UNIQUE INDEX edition_identity ON edition (source, identity) WHERE state <> 'refused';

CREATE TABLE edition_file (
    source INTEGER NOT NULL,
    edition INTEGER NOT NULL,
    number INTEGER NOT NULL,
    name TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    bytes INTEGER NOT NULL,
    object_key TEXT NOT NULL,
    PRIMARY KEY (source, edition, number),
    FOREIGN KEY (source, edition) REFERENCES edition (source, number)
) STRICT;

-- Derivations: which record a property is, and what comes of comparing them.
CREATE TABLE property_match (
    office TEXT NOT NULL,
    property TEXT NOT NULL,
    source INTEGER NOT NULL REFERENCES source (number),
    state TEXT NOT NULL CHECK (state IN ('sure', 'settled', 'to_settle', 'unmatched', 'unreadable')),
    how TEXT NOT NULL CHECK (how IN ('key', 'person', 'none')),
    parcel_key TEXT NOT NULL,
    record_number INTEGER,
    conflict TEXT NOT NULL,
    PRIMARY KEY (office, property, source),
    FOREIGN KEY (office, property) REFERENCES property (office, id)
) STRICT;
CREATE INDEX property_match_key ON property_match (source, parcel_key);

CREATE TABLE judgement (
    office TEXT NOT NULL,
    property TEXT NOT NULL,
    source INTEGER NOT NULL REFERENCES source (number),
    outcome TEXT NOT NULL,
    kind TEXT,
    measured_um2 INTEGER,
    recorded_um2 INTEGER,
    difference_um2 INTEGER,
    variance_ppm INTEGER,
    sigma_sqft REAL,
    z REAL,
    threshold_um2 INTEGER,
    exceedance_ppm INTEGER,
    effect_low_cents INTEGER,
    effect_high_cents INTEGER,
    measurement_version INTEGER NOT NULL,
    record_number INTEGER,
    record_edition INTEGER,
    edition INTEGER NOT NULL,
    standard TEXT NOT NULL,
    policy_version INTEGER NOT NULL,
    policy_rule INTEGER,
    engine TEXT NOT NULL,
    PRIMARY KEY (office, property, source),
    FOREIGN KEY (office, property) REFERENCES property (office, id)
) STRICT;
CREATE INDEX judgement_outcome ON judgement (office, source, outcome, property);

CREATE TABLE to_judge (
    office TEXT NOT NULL,
    source INTEGER NOT NULL,
    property TEXT NOT NULL,
    stamp INTEGER NOT NULL,
    cause TEXT NOT NULL CHECK (cause IN ('upload', 'edition', 'policy', 'person')),
    PRIMARY KEY (office, source, property)
) STRICT;

-- Findings: opened by judgements, decided by people.
CREATE TABLE finding (
    office TEXT NOT NULL,
    id TEXT NOT NULL,
    property TEXT NOT NULL,
    source INTEGER NOT NULL REFERENCES source (number),
    kind TEXT NOT NULL CHECK (kind IN ('variance', 'no_area', 'recorded_vacant')),
    state TEXT NOT NULL CHECK (state IN ('open', 'confirmed', 'cleared', 'referred', 'closed')),
    closing TEXT CHECK (closing IN ('corrected', 'measurement_revised', 'no_longer_material', 'match_changed', 'edition_withdrawn')),
    bound TEXT NOT NULL,
    difference_um2 INTEGER NOT NULL,
    variance_ppm INTEGER,
    effect_high_cents INTEGER,
    row_version INTEGER NOT NULL,
    opened_at INTEGER NOT NULL,
    changed_at INTEGER NOT NULL,
    PRIMARY KEY (office, id),
    UNIQUE (office, property, source),
    FOREIGN KEY (office, property) REFERENCES property (office, id),
    CHECK ((state = 'closed') = (closing IS NOT NULL))
) STRICT;

CREATE TABLE finding_event (
    office TEXT NOT NULL,
    finding TEXT NOT NULL,
    number INTEGER NOT NULL,
    at INTEGER NOT NULL,
    what TEXT NOT NULL CHECK (what IN ('opened', 'reopened', 'revised', 'closed', 'decided')),
    state TEXT NOT NULL,
    run TEXT NOT NULL,
    detail TEXT NOT NULL,
    PRIMARY KEY (office, finding, number),
    FOREIGN KEY (office, finding) REFERENCES finding (office, id)
) STRICT;

CREATE TABLE queue_entry (
    office TEXT NOT NULL,
    property TEXT NOT NULL,
    tier INTEGER NOT NULL,
    rank_key INTEGER NOT NULL,
    open_count INTEGER NOT NULL,
    PRIMARY KEY (office, property),
    FOREIGN KEY (office, property) REFERENCES property (office, id)
) STRICT;
CREATE INDEX queue_entry_rank ON queue_entry (office, tier, rank_key DESC, property);

-- Work: runs and the jobs that carry them.
CREATE TABLE run (
    office TEXT NOT NULL REFERENCES office (id),
    id TEXT NOT NULL,
    source INTEGER NOT NULL REFERENCES source (number),
    cause TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('counting', 'applying', 'held', 'done')),
    edition INTEGER NOT NULL,
    policy_version INTEGER NOT NULL,
    counts TEXT NOT NULL,
    started_at INTEGER NOT NULL,
    ended_at INTEGER,
    PRIMARY KEY (office, id)
) STRICT;
CREATE INDEX run_source ON run (office, source, started_at);

CREATE TABLE job (
    id TEXT NOT NULL PRIMARY KEY,
    office TEXT REFERENCES office (id),
    kind TEXT NOT NULL CHECK (kind IN ('import', 'reconcile')),
    payload TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('queued', 'running', 'done', 'failed')),
    dedup_key TEXT NOT NULL,
    exclusive_key TEXT NOT NULL,
    attempts INTEGER NOT NULL DEFAULT 0,
    not_before INTEGER NOT NULL DEFAULT 0,
    lease_token TEXT,
    lease_until INTEGER,
    progress INTEGER NOT NULL DEFAULT 0,
    progress_total INTEGER,
    resume TEXT NOT NULL DEFAULT '',
    reason TEXT NOT NULL DEFAULT '',
    created_at INTEGER NOT NULL,
    ended_at INTEGER,
    CHECK ((state = 'running') = (lease_token IS NOT NULL))
) STRICT;
CREATE UNIQUE INDEX job_queued_once ON job (dedup_key) WHERE state = 'queued';
CREATE UNIQUE INDEX job_running_alone ON job (exclusive_key) WHERE state = 'running';
CREATE INDEX job_state ON job (state, created_at, id);
