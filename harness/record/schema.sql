-- The record of one run: everything that was measured, nothing that was judged.
--
-- History (one line per version; upgrades.py holds one step per line)
--   1  first version
--
-- Conventions
--   * Rows are only ever added. Where a thing is told again (a load once it is calibrated, a boot
--     once it has ended, the progress of a soak) the row with the largest id counts, and the
--     earlier ones stay as its history.
--   * `link` is the number of the commit that wrote the row, see table chain.
--   * `*_seconds` count on the run's own time axis: monotonic, from the start of the run, carried
--     on without a gap by each later part. `wall_ns` is UTC and only labels: it may jump.
--   * Text columns named `*_json` hold one JSON value.
--   * NULL means "not measured"; a reason stands beside it. 0 is a measured zero.
--   * STRICT tables: a column holds its declared type or NULL, whoever writes.

-- One row per commit. `hash` is SHA-256 over the hash before it and the canonical bytes of this
-- row and of all rows with this link (chain.py says which bytes). It shows accidents; it is no
-- signature, because whoever can write the file can compute it again.
CREATE TABLE chain (
    number     INTEGER PRIMARY KEY,
    at_seconds REAL    NOT NULL,
    wall_ns    INTEGER NOT NULL,
    row_count  INTEGER NOT NULL,
    hash       BLOB    NOT NULL
) STRICT;

-- Exactly one row: what the run was asked to do.
CREATE TABLE header (
    id                 INTEGER PRIMARY KEY CHECK (id = 1),
    link               INTEGER NOT NULL,
    run_id             TEXT    NOT NULL,
    created_wall_ns    INTEGER NOT NULL,
    utc_offset_minutes INTEGER NOT NULL,
    profile_name       TEXT    NOT NULL,
    profile_sha256     TEXT    NOT NULL,
    profile_text       TEXT    NOT NULL,
    partial            INTEGER NOT NULL,   -- 1: only a selection of the profile runs
    sqlite_version     TEXT    NOT NULL    -- the library that created the file
) STRICT;

-- Settings, facts, versions and context; of one kind and name the last row counts.
CREATE TABLE properties (
    id         INTEGER PRIMARY KEY,
    link       INTEGER NOT NULL,
    kind       TEXT    NOT NULL,           -- 'setting', 'fact', 'version' or 'context'
    name       TEXT    NOT NULL,
    value_json TEXT    NOT NULL
) STRICT;

-- One row per process that wrote this record: the first start, and each resumption.
CREATE TABLE parts (
    id              INTEGER PRIMARY KEY,
    link            INTEGER NOT NULL,
    boot            INTEGER NOT NULL,
    started_seconds REAL    NOT NULL,
    owner_pid       INTEGER NOT NULL,
    owner_mark      TEXT    NOT NULL,      -- start time of the process, to tell a reused pid
    boot_id         TEXT    NOT NULL,
    argv_json       TEXT    NOT NULL,
    terminal        TEXT    NOT NULL       -- the controlling terminal, '' when there was none
) STRICT;

-- How each part ended; a part without one ended in a crash or is still going on.
CREATE TABLE endings (
    id         INTEGER PRIMARY KEY,
    link       INTEGER NOT NULL,
    part       INTEGER NOT NULL REFERENCES parts (id),
    at_seconds REAL    NOT NULL,
    wall_ns    INTEGER NOT NULL,
    ending     TEXT    NOT NULL,
    text       TEXT    NOT NULL
) STRICT;

-- Stretches between restarts of the machine; of one number the last row counts.
CREATE TABLE boots (
    id             INTEGER PRIMARY KEY,
    link           INTEGER NOT NULL,
    number         INTEGER NOT NULL,
    boot_id        TEXT    NOT NULL,
    started_utc    TEXT    NOT NULL,
    offset_seconds REAL    NOT NULL,       -- where it begins on the run's time axis
    cold           INTEGER,                -- 1 cold, 0 warm, NULL not known
    ended_seconds  REAL
) STRICT;

-- The profile's loads as planned and calibrated; of one number the last row counts.
CREATE TABLE loads (
    id               INTEGER PRIMARY KEY,
    link             INTEGER NOT NULL,
    number           INTEGER NOT NULL,
    name             TEXT    NOT NULL,
    workload         TEXT    NOT NULL,
    workload_version INTEGER NOT NULL,
    family           TEXT    NOT NULL,
    unit             TEXT    NOT NULL,
    check_name       TEXT    NOT NULL,
    parameters_json  TEXT    NOT NULL,
    code_path        TEXT    NOT NULL,
    lower_is_better  INTEGER NOT NULL,
    basis            TEXT    NOT NULL,
    pattern          TEXT    NOT NULL,
    trials           INTEGER NOT NULL,
    passes_json      TEXT    NOT NULL,     -- passes of one trial by lane, empty before calibration
    golden           TEXT,
    golden_origin    TEXT    NOT NULL,
    work_per_pass    REAL,
    available        INTEGER NOT NULL,
    reason           TEXT    NOT NULL
) STRICT;

-- One timed, verified execution; a rate is NULL when the trial gave none.
CREATE TABLE trials (
    id              INTEGER PRIMARY KEY,
    link            INTEGER NOT NULL,
    number          INTEGER NOT NULL UNIQUE,
    round           INTEGER NOT NULL,
    load            INTEGER NOT NULL,
    workload        TEXT    NOT NULL,
    boot            INTEGER NOT NULL,
    started_seconds REAL    NOT NULL,
    ended_seconds   REAL    NOT NULL,
    rate            REAL,                  -- units of work per second, all lanes together
    capability_rate REAL,
    causes_json     TEXT    NOT NULL,
    valid           INTEGER NOT NULL
) STRICT;

-- Sustained load; of one number the last row counts, the earlier ones were its progress.
CREATE TABLE soaks (
    id                        INTEGER PRIMARY KEY,
    link                      INTEGER NOT NULL,
    number                    INTEGER NOT NULL,
    load                      INTEGER NOT NULL,
    workload                  TEXT    NOT NULL,
    pattern                   TEXT    NOT NULL,
    boot                      INTEGER NOT NULL,
    started_seconds           REAL    NOT NULL,
    ended_seconds             REAL    NOT NULL,
    step_skew_median_seconds  REAL,
    step_skew_largest_seconds REAL,
    complete                  INTEGER NOT NULL
) STRICT;

-- Joint throughput during soak number `soak`; each point is stored once.
CREATE TABLE rate_points (
    id         INTEGER PRIMARY KEY,
    link       INTEGER NOT NULL,
    soak       INTEGER NOT NULL,
    at_seconds REAL    NOT NULL,
    rate       REAL                        -- units of work per second
) STRICT;

-- What each lane did in one trial or in one row of soaks.
CREATE TABLE lanes (
    id                   INTEGER PRIMARY KEY,
    link                 INTEGER NOT NULL,
    trial_id             INTEGER REFERENCES trials (id),
    soak_id              INTEGER REFERENCES soaks (id),
    lane                 INTEGER NOT NULL,
    cpu                  INTEGER,
    passes               INTEGER NOT NULL,
    work                 REAL,
    seconds              REAL,
    pass_mean_seconds    REAL,
    pass_p10_seconds     REAL,
    verified             INTEGER NOT NULL,
    run_delay_seconds    REAL,
    involuntary_switches INTEGER,
    major_faults         INTEGER,
    clock_hz             REAL,
    readings_json        TEXT    NOT NULL,
    CHECK ((trial_id IS NULL) <> (soak_id IS NULL))
) STRICT;

-- Everything that went wrong under load.
CREATE TABLE failures (
    id         INTEGER PRIMARY KEY,
    link       INTEGER NOT NULL,
    kind       TEXT    NOT NULL,
    workload   TEXT,
    lane       INTEGER,
    core       INTEGER,
    at_seconds REAL    NOT NULL,
    detail     TEXT    NOT NULL
) STRICT;

-- The timeline; operator's notes are events too.
CREATE TABLE events (
    id         INTEGER PRIMARY KEY,
    link       INTEGER NOT NULL,
    kind       TEXT    NOT NULL,
    at_seconds REAL    NOT NULL,
    text       TEXT    NOT NULL,
    data_json  TEXT    NOT NULL
) STRICT;

CREATE TABLE safety_stops (
    id               INTEGER PRIMARY KEY,
    link             INTEGER NOT NULL,
    channel          TEXT    NOT NULL,
    value            REAL    NOT NULL,
    limit_value      REAL    NOT NULL,
    unit             TEXT    NOT NULL,
    at_seconds       REAL    NOT NULL,
    whose            TEXT    NOT NULL,
    reaction_seconds REAL
) STRICT;

-- Sensor quantities; of one key the last row counts. Blocks name a channel by `number`.
CREATE TABLE channels (
    id            INTEGER PRIMARY KEY,
    link          INTEGER NOT NULL,
    number        INTEGER NOT NULL,
    key           TEXT    NOT NULL,
    name          TEXT    NOT NULL,
    unit          TEXT    NOT NULL,
    source        TEXT    NOT NULL,
    role          TEXT    NOT NULL,
    reason        TEXT    NOT NULL,
    cpu           INTEGER,
    counter       INTEGER NOT NULL,
    absent_reason TEXT    NOT NULL
) STRICT;

-- About one second of readings of all channels, packed; blocks.py describes both formats.
CREATE TABLE sample_blocks (
    id               INTEGER PRIMARY KEY,
    link             INTEGER NOT NULL,
    start_seconds    REAL    NOT NULL,
    duration_seconds REAL    NOT NULL,
    readings         INTEGER NOT NULL,
    envelopes        BLOB    NOT NULL,     -- smallest, mean, largest value per channel
    packed           BLOB    NOT NULL      -- the readings themselves
) STRICT;
