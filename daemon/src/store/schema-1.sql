-- Version 1. Times: *_at is RFC 3339 with the cell's offset, *_us is microseconds since 1970 UTC. Order of
-- truth is always the rising key, never a time.

-- Single facts: the store's own id, when it was last alive.
CREATE TABLE fact (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;

-- Texts of jobs and definitions, to the letter, under their SHA-256.
CREATE TABLE wording (
    hash TEXT PRIMARY KEY,
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;

-- What was received, byte for byte. `origin` makes a repeated write of the same transmission harmless.
CREATE TABLE transmission (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    origin       TEXT NOT NULL UNIQUE,
    station      TEXT NOT NULL,
    source       TEXT NOT NULL,
    received_at  TEXT NOT NULL,
    received_us  INTEGER NOT NULL,
    monotonic_ms INTEGER NOT NULL,
    clock_synced INTEGER NOT NULL,
    definition   TEXT NOT NULL REFERENCES wording (hash),
    sha256       TEXT NOT NULL,
    raw          BLOB NOT NULL
) STRICT;
CREATE INDEX transmission_station ON transmission (station, id);

-- How each frame of a transmission fared. `report` is the frame as `try --json` shows it.
CREATE TABLE frame (
    transmission INTEGER NOT NULL REFERENCES transmission (id),
    number       INTEGER NOT NULL,
    start        INTEGER NOT NULL,
    bytes        INTEGER NOT NULL,
    outcome      TEXT NOT NULL,
    reason       TEXT,
    detail       TEXT,
    remarks      TEXT NOT NULL,
    report       TEXT NOT NULL,
    PRIMARY KEY (transmission, number)
) STRICT, WITHOUT ROWID;
CREATE INDEX frame_rejected ON frame (outcome, transmission) WHERE outcome <> 'accepted';

-- The results; see the view `results` for what others may rely on. `chain` is reserved for a hash over rows.
CREATE TABLE result (
    seq                INTEGER PRIMARY KEY AUTOINCREMENT,
    result_id          TEXT NOT NULL UNIQUE,
    kind               TEXT NOT NULL,
    received_at        TEXT NOT NULL,
    received_us        INTEGER NOT NULL,
    measured_at        TEXT,
    clock_synced       INTEGER NOT NULL,
    cell               TEXT NOT NULL,
    station            TEXT,
    gauge              TEXT,
    operator           TEXT,
    job                TEXT,
    part_number        TEXT,
    revision           TEXT,
    operation          TEXT,
    serial             TEXT,
    piece              INTEGER,
    cycle              INTEGER,
    mode               TEXT,
    balloon            TEXT,
    feature            TEXT,
    quantity           TEXT,
    value              TEXT,
    unit               TEXT,
    value_as_sent      TEXT,
    unit_as_sent       TEXT,
    mark               TEXT,
    lower              TEXT,
    upper              TEXT,
    rule               TEXT,
    outcome            TEXT,
    reasons            TEXT NOT NULL,
    trace              INTEGER,
    attempt            INTEGER,
    cutoff_mm          TEXT,
    sections           INTEGER,
    lambda_s_um        TEXT,
    filter             TEXT,
    standard           TEXT,
    conditions_source  TEXT,
    gauge_state        TEXT,
    instrument_verdict TEXT,
    transmission       INTEGER REFERENCES transmission (id),
    job_hash           TEXT REFERENCES wording (hash),
    supersedes         TEXT,
    frame              INTEGER,
    field              INTEGER,
    run                INTEGER,
    program_version    TEXT NOT NULL,
    chain              BLOB
) STRICT;
-- One reading is one row, whatever is retried.
CREATE UNIQUE INDEX result_reading ON result (transmission, frame, field) WHERE kind = 'reading';
CREATE INDEX result_piece ON result (job, piece, kind);
CREATE INDEX result_serial ON result (serial) WHERE serial IS NOT NULL;
CREATE INDEX result_gauge ON result (gauge, seq);

CREATE VIEW results AS
SELECT result_id, seq, kind, received_at, measured_at,
       CASE clock_synced WHEN 1 THEN 'yes' ELSE 'no' END AS clock_synced,
       cell, station, gauge, operator, job, part_number, revision, operation, serial, piece, cycle, mode, balloon,
       feature, quantity, value, unit, value_as_sent, unit_as_sent, mark, lower, upper, rule, outcome, reasons, trace,
       attempt, cutoff_mm, sections, lambda_s_um, filter, standard, conditions_source, gauge_state,
       instrument_verdict, transmission, job_hash, supersedes
FROM result;

-- What makes readings of a gauge the same reading, where its definition says what does.
CREATE TABLE identity (
    gauge TEXT NOT NULL,
    key   TEXT NOT NULL,
    seq   INTEGER NOT NULL REFERENCES result (seq),
    PRIMARY KEY (gauge, key)
) STRICT, WITHOUT ROWID;

-- Files of folder stations by content. `state`: recording, recorded, archived, repeat.
CREATE TABLE file (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    station      TEXT NOT NULL,
    name         TEXT NOT NULL,
    fingerprint  TEXT NOT NULL,
    sha256       TEXT NOT NULL,
    transmission INTEGER NOT NULL REFERENCES transmission (id),
    state        TEXT NOT NULL,
    UNIQUE (station, name, fingerprint)
) STRICT;
CREATE INDEX file_content ON file (station, sha256);

-- Opening, closing, next piece: what the cell was making when.
CREATE TABLE job_event (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    at       TEXT NOT NULL,
    at_us    INTEGER NOT NULL,
    kind     TEXT NOT NULL,
    job      TEXT NOT NULL,
    job_hash TEXT NOT NULL REFERENCES wording (hash)
) STRICT;

-- When a station could not listen; open while `until_us` is null.
CREATE TABLE coverage (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    station  TEXT NOT NULL,
    cause    TEXT NOT NULL,
    from_at  TEXT NOT NULL,
    from_us  INTEGER NOT NULL,
    until_at TEXT,
    until_us INTEGER
) STRICT;
CREATE INDEX coverage_open ON coverage (station) WHERE until_us IS NULL;

-- What happened around the readings: repeats, unreadable files, ports lost and found.
CREATE TABLE event (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    at           TEXT NOT NULL,
    at_us        INTEGER NOT NULL,
    station      TEXT,
    code         TEXT NOT NULL,
    text         TEXT NOT NULL,
    transmission INTEGER REFERENCES transmission (id)
) STRICT;

-- One delivery: a file of one sink. `state`: filling, due, delivered, parked. `bundle` names what still flows
-- into a filling parcel; `closes_us` is when a parcel by minutes is full.
CREATE TABLE parcel (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    sink         TEXT NOT NULL,
    name         TEXT NOT NULL,
    bundle       TEXT,
    closes_us    INTEGER,
    state        TEXT NOT NULL,
    attempts     INTEGER NOT NULL DEFAULT 0,
    reason       TEXT,
    sha256       TEXT,
    delivered_at TEXT,
    UNIQUE (sink, name)
) STRICT;
CREATE INDEX parcel_open ON parcel (sink, state, id) WHERE state <> 'delivered';

-- Which result goes to which sink, in which parcel.
CREATE TABLE outbox (
    sink   TEXT NOT NULL,
    seq    INTEGER NOT NULL REFERENCES result (seq),
    parcel INTEGER NOT NULL REFERENCES parcel (id),
    PRIMARY KEY (sink, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX outbox_parcel ON outbox (parcel, seq);

INSERT INTO fact VALUES ('store_id', lower(hex(randomblob(6))));
