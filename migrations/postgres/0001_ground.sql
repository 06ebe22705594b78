-- Times are microseconds UTC, areas square micrometres, money cents. Text keys compare by bytes, as in SQLite.
-- Offices, their people's keys, and what they measured.
CREATE TABLE office (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    name TEXT COLLATE "C" NOT NULL,
    created_at BIGINT NOT NULL
);

CREATE TABLE access_key (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    office TEXT COLLATE "C" REFERENCES office (id),
    role TEXT COLLATE "C" NOT NULL CHECK (role IN ('upload', 'review', 'consult', 'administer', 'batch', 'operator')),
    label TEXT COLLATE "C" NOT NULL,
    key_sha256 BYTEA NOT NULL UNIQUE,
    created_at BIGINT NOT NULL,
    expires_at BIGINT,
    used_at BIGINT,
    CHECK ((office IS NULL) = (role = 'operator'))
);

CREATE TABLE property (
    office TEXT COLLATE "C" NOT NULL REFERENCES office (id),
    id TEXT COLLATE "C" NOT NULL,
    reference TEXT COLLATE "C" NOT NULL,
    parcel TEXT COLLATE "C" NOT NULL,
    address TEXT COLLATE "C" NOT NULL,
    jurisdiction TEXT COLLATE "C" NOT NULL,
    year_built BIGINT,
    measured_on TEXT COLLATE "C" NOT NULL,
    measurement_version BIGINT NOT NULL,
    PRIMARY KEY (office, id),
    UNIQUE (office, reference)
);

CREATE TABLE measurement (
    office TEXT COLLATE "C" NOT NULL,
    property TEXT COLLATE "C" NOT NULL,
    version BIGINT NOT NULL,
    measured_on TEXT COLLATE "C" NOT NULL,
    document TEXT COLLATE "C" NOT NULL,
    sha256 TEXT COLLATE "C" NOT NULL,
    reason TEXT COLLATE "C" NOT NULL,
    received_at BIGINT NOT NULL,
    PRIMARY KEY (office, property, version),
    FOREIGN KEY (office, property) REFERENCES property (office, id)
);

CREATE TABLE policy (
    office TEXT COLLATE "C" NOT NULL REFERENCES office (id),
    version BIGINT NOT NULL,
    document TEXT COLLATE "C" NOT NULL,
    saved_at BIGINT NOT NULL,
    PRIMARY KEY (office, version)
);

-- Publishers of records, and what they published.
CREATE TABLE source (
    number BIGINT NOT NULL PRIMARY KEY,
    id TEXT COLLATE "C" NOT NULL UNIQUE,
    title TEXT COLLATE "C" NOT NULL,
    publisher TEXT COLLATE "C" NOT NULL,
    jurisdiction TEXT COLLATE "C" NOT NULL,
    basis TEXT COLLATE "C" NOT NULL,
    derived_from TEXT COLLATE "C" NOT NULL,
    current_edition BIGINT,
    container TEXT COLLATE "C",
    created_at BIGINT NOT NULL
);

CREATE TABLE edition (
    source BIGINT NOT NULL REFERENCES source (number),
    number BIGINT NOT NULL,
    state TEXT COLLATE "C" NOT NULL CHECK (state IN ('staged', 'current', 'past', 'refused')),
    identity TEXT COLLATE "C" NOT NULL,
    layout TEXT COLLATE "C" NOT NULL,
    layout_version TEXT COLLATE "C" NOT NULL,
    roll_year BIGINT,
    status TEXT COLLATE "C" NOT NULL CHECK (status IN ('preliminary', 'certified', 'corrected', 'not stated')),
    received_at BIGINT NOT NULL,
    rows_total BIGINT NOT NULL DEFAULT 0,
    rows_entered BIGINT NOT NULL DEFAULT 0,
    rows_repeated BIGINT NOT NULL DEFAULT 0,
    rows_rejected BIGINT NOT NULL DEFAULT 0,
    records_new BIGINT NOT NULL DEFAULT 0,
    records_changed BIGINT NOT NULL DEFAULT 0,
    records_ended BIGINT NOT NULL DEFAULT 0,
    records_unchanged BIGINT NOT NULL DEFAULT 0,
    refusal TEXT COLLATE "C" NOT NULL DEFAULT '',
    PRIMARY KEY (source, number)
);
CREATE UNIQUE INDEX edition_identity ON edition (source, identity) WHERE state <> 'refused';

CREATE TABLE edition_file (
    source BIGINT NOT NULL,
    edition BIGINT NOT NULL,
    number BIGINT NOT NULL,
    name TEXT COLLATE "C" NOT NULL,
    sha256 TEXT COLLATE "C" NOT NULL,
    bytes BIGINT NOT NULL,
    object_key TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (source, edition, number),
    FOREIGN KEY (source, edition) REFERENCES edition (source, number)
);

-- Derivations: which record a property is, and what comes of comparing them.
CREATE TABLE property_match (
    office TEXT COLLATE "C" NOT NULL,
    property TEXT COLLATE "C" NOT NULL,
    source BIGINT NOT NULL REFERENCES source (number),
    state TEXT COLLATE "C" NOT NULL CHECK (state IN ('sure', 'settled', 'to_settle', 'unmatched', 'unreadable')),
    how TEXT COLLATE "C" NOT NULL CHECK (how IN ('key', 'person', 'none')),
    parcel_key TEXT COLLATE "C" NOT NULL,
    record_number BIGINT,
    conflict TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (office, property, source),
    FOREIGN KEY (office, property) REFERENCES property (office, id)
);
CREATE INDEX property_match_key ON property_match (source, parcel_key);

CREATE TABLE judgement (
    office TEXT COLLATE "C" NOT NULL,
    property TEXT COLLATE "C" NOT NULL,
    source BIGINT NOT NULL REFERENCES source (number),
    outcome TEXT COLLATE "C" NOT NULL,
    kind TEXT COLLATE "C",
    measured_um2 BIGINT,
    recorded_um2 BIGINT,
    difference_um2 BIGINT,
    variance_ppm BIGINT,
    sigma_sqft DOUBLE PRECISION,
    z DOUBLE PRECISION,
    threshold_um2 BIGINT,
    exceedance_ppm BIGINT,
    effect_low_cents BIGINT,
    effect_high_cents BIGINT,
    measurement_version BIGINT NOT NULL,
    record_number BIGINT,
    record_edition BIGINT,
    edition BIGINT NOT NULL,
    standard TEXT COLLATE "C" NOT NULL,
    policy_version BIGINT NOT NULL,
    policy_rule BIGINT,
    engine TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (office, property, source),
    FOREIGN KEY (office, property) REFERENCES property (office, id)
);
CREATE INDEX judgement_outcome ON judgement (office, source, outcome, property);

CREATE TABLE to_judge (
    office TEXT COLLATE "C" NOT NULL,
    source BIGINT NOT NULL,
    property TEXT COLLATE "C" NOT NULL,
    stamp BIGINT NOT NULL,
    cause TEXT COLLATE "C" NOT NULL CHECK (cause IN ('upload', 'edition', 'policy', 'person')),
    PRIMARY KEY (office, source, property)
);

-- Findings: opened by judgements, decided by people.
CREATE TABLE finding (
    office TEXT COLLATE "C" NOT NULL,
    id TEXT COLLATE "C" NOT NULL,
    property TEXT COLLATE "C" NOT NULL,
    source BIGINT NOT NULL REFERENCES source (number),
    kind TEXT COLLATE "C" NOT NULL CHECK (kind IN ('variance', 'no_area', 'recorded_vacant')),
    state TEXT COLLATE "C" NOT NULL CHECK (state IN ('open', 'confirmed', 'cleared', 'referred', 'closed')),
    closing TEXT COLLATE "C" CHECK (closing IN ('corrected', 'measurement_revised', 'no_longer_material', 'match_changed', 'edition_withdrawn')),
    bound TEXT COLLATE "C" NOT NULL,
    difference_um2 BIGINT NOT NULL,
    variance_ppm BIGINT,
    effect_high_cents BIGINT,
    row_version BIGINT NOT NULL,
    opened_at BIGINT NOT NULL,
    changed_at BIGINT NOT NULL,
    PRIMARY KEY (office, id),
    UNIQUE (office, property, source),
    FOREIGN KEY (office, property) REFERENCES property (office, id),
    CHECK ((state = 'closed') = (closing IS NOT NULL))
);

CREATE TABLE finding_event (
    office TEXT COLLATE "C" NOT NULL,
    finding TEXT COLLATE "C" NOT NULL,
    number BIGINT NOT NULL,
    at BIGINT NOT NULL,
    what TEXT COLLATE "C" NOT NULL CHECK (what IN ('opened', 'reopened', 'revised', 'closed', 'decided')),
    state TEXT COLLATE "C" NOT NULL,
    run TEXT COLLATE "C" NOT NULL,
    detail TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (office, finding, number),
    FOREIGN KEY (office, finding) REFERENCES finding (office, id)
);

CREATE TABLE queue_entry (
    office TEXT COLLATE "C" NOT NULL,
    property TEXT COLLATE "C" NOT NULL,
    tier BIGINT NOT NULL,
    rank_key BIGINT NOT NULL,
    open_count BIGINT NOT NULL,
    PRIMARY KEY (office, property),
    FOREIGN KEY (office, property) REFERENCES property (office, id)
);
CREATE INDEX queue_entry_rank ON queue_entry (office, tier, rank_key DESC, property);

-- Work: runs and the jobs that carry them.
CREATE TABLE run (
    office TEXT COLLATE "C" NOT NULL REFERENCES office (id),
    id TEXT COLLATE "C" NOT NULL,
    source BIGINT NOT NULL REFERENCES source (number),
    cause TEXT COLLATE "C" NOT NULL,
    state TEXT COLLATE "C" NOT NULL CHECK (state IN ('counting', 'applying', 'held', 'done')),
    edition BIGINT NOT NULL,
    policy_version BIGINT NOT NULL,
    counts TEXT COLLATE "C" NOT NULL,
    started_at BIGINT NOT NULL,
    ended_at BIGINT,
    PRIMARY KEY (office, id)
);
CREATE INDEX run_source ON run (office, source, started_at);

CREATE TABLE job (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    office TEXT COLLATE "C" REFERENCES office (id),
    kind TEXT COLLATE "C" NOT NULL CHECK (kind IN ('import', 'reconcile')),
    payload TEXT COLLATE "C" NOT NULL,
    state TEXT COLLATE "C" NOT NULL CHECK (state IN ('queued', 'running', 'done', 'failed')),
    dedup_key TEXT COLLATE "C" NOT NULL,
    exclusive_key TEXT COLLATE "C" NOT NULL,
    attempts BIGINT NOT NULL DEFAULT 0,
    not_before BIGINT NOT NULL DEFAULT 0,
    lease_token TEXT COLLATE "C",
    lease_until BIGINT,
    progress BIGINT NOT NULL DEFAULT 0,
    progress_total BIGINT,
    resume TEXT COLLATE "C" NOT NULL DEFAULT '',
    reason TEXT COLLATE "C" NOT NULL DEFAULT '',
    created_at BIGINT NOT NULL,
    ended_at BIGINT,
    CHECK ((state = 'running') = (lease_token IS NOT NULL))
);
CREATE UNIQUE INDEX job_queued_once ON job (dedup_key) WHERE state = 'queued';
CREATE UNIQUE INDEX job_running_alone ON job (exclusive_key) WHERE state = 'running';
CREATE INDEX job_state ON job (state, created_at, id);

-- The database's clock: every host reads the same one.
CREATE FUNCTION now_us() RETURNS BIGINT LANGUAGE SQL VOLATILE AS
$$ SELECT (extract(epoch FROM clock_timestamp()) * 1000000)::bigint $$;

-- Lists bound as one value, a JSON array: SQLite takes it apart by json_each.
CREATE FUNCTION texts(list TEXT) RETURNS TEXT[] LANGUAGE SQL IMMUTABLE STRICT PARALLEL SAFE AS
$$ SELECT ARRAY(SELECT jsonb_array_elements_text(list::jsonb)) $$;
CREATE FUNCTION numbers(list TEXT) RETURNS BIGINT[] LANGUAGE SQL IMMUTABLE STRICT PARALLEL SAFE AS
$$ SELECT ARRAY(SELECT jsonb_array_elements_text(list::jsonb)::bigint) $$;

-- Records of a source: the base as first loaded, and what later editions changed (appended, never updated).
CREATE TABLE record (
    source BIGINT NOT NULL,
    number BIGINT NOT NULL,
    since_edition BIGINT NOT NULL,
    parcel_key TEXT COLLATE "C" NOT NULL,
    parcel_raw TEXT COLLATE "C" NOT NULL,
    situs TEXT COLLATE "C" NOT NULL,
    area_um2 BIGINT,
    value_cents BIGINT,
    year_built BIGINT,
    class TEXT COLLATE "C" NOT NULL,
    rest TEXT COLLATE "C" NOT NULL,
    content_hash BIGINT NOT NULL,
    file BIGINT NOT NULL,
    line BIGINT NOT NULL,
    byte_start BIGINT NOT NULL,
    byte_length BIGINT NOT NULL,
    conflict BIGINT NOT NULL
) PARTITION BY LIST (source);

CREATE TABLE record_change (
    source BIGINT NOT NULL,
    edition BIGINT NOT NULL,
    number BIGINT NOT NULL,
    what TEXT COLLATE "C" NOT NULL CHECK (what IN ('new', 'changed', 'ended')),
    parcel_key TEXT COLLATE "C" NOT NULL,
    parcel_raw TEXT COLLATE "C" NOT NULL,
    situs TEXT COLLATE "C" NOT NULL,
    area_um2 BIGINT,
    value_cents BIGINT,
    year_built BIGINT,
    class TEXT COLLATE "C" NOT NULL,
    rest TEXT COLLATE "C" NOT NULL,
    content_hash BIGINT NOT NULL,
    file BIGINT NOT NULL,
    line BIGINT NOT NULL,
    byte_start BIGINT NOT NULL,
    byte_length BIGINT NOT NULL,
    conflict BIGINT NOT NULL,
    PRIMARY KEY (source, edition, number)
);
CREATE INDEX record_change_number ON record_change (source, number, edition);
CREATE INDEX record_change_key ON record_change (source, parcel_key, edition);

CREATE TABLE reject (
    source BIGINT NOT NULL,
    edition BIGINT NOT NULL,
    number BIGINT NOT NULL,
    file BIGINT NOT NULL,
    line BIGINT NOT NULL,
    byte_start BIGINT NOT NULL,
    byte_length BIGINT NOT NULL,
    column_name TEXT COLLATE "C",
    reason TEXT COLLATE "C" NOT NULL,
    detail TEXT COLLATE "C" NOT NULL,
    raw BYTEA,
    PRIMARY KEY (source, edition, number)
);
