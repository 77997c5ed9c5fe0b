-- Version 3: what every reading brings is written once and in few places, so that large exports go through. The tables
-- `result`, `frame` and `outbox` become views of the same columns.

-- What many rows of results have in common: a row of its own for each combination that occurred.
CREATE TABLE basis (
    id                 INTEGER PRIMARY KEY,
    store_id           TEXT NOT NULL,
    kind               TEXT NOT NULL,
    clock_synced       INTEGER NOT NULL,
    cell               TEXT NOT NULL,
    station            TEXT,
    gauge              TEXT,
    operator           TEXT,
    job                TEXT,
    part_number        TEXT,
    revision           TEXT,
    operation          TEXT,
    cycle              INTEGER,
    mode               TEXT,
    balloon            TEXT,
    feature            TEXT,
    quantity           TEXT,
    unit               TEXT,
    unit_as_sent       TEXT,
    mark               TEXT,
    lower              TEXT,
    upper              TEXT,
    rule               TEXT,
    outcome            TEXT,
    reasons            TEXT NOT NULL,
    cutoff_mm          TEXT,
    sections           INTEGER,
    lambda_s_um        TEXT,
    filter             TEXT,
    standard           TEXT,
    conditions_source  TEXT,
    gauge_state        TEXT,
    instrument_verdict TEXT,
    job_hash           TEXT REFERENCES wording (hash),
    program_version    TEXT NOT NULL
) STRICT;

-- The results; see the view `results` for what others may rely on. `chain` is reserved for a hash over rows.
CREATE TABLE entry (
    seq           INTEGER PRIMARY KEY AUTOINCREMENT,
    basis         INTEGER NOT NULL REFERENCES basis (id),
    received_at   TEXT NOT NULL,
    received_us   INTEGER NOT NULL,
    measured_at   TEXT,
    serial        TEXT,
    run           INTEGER,
    piece         INTEGER,
    value         TEXT,
    value_as_sent TEXT,
    trace         INTEGER,
    attempt       INTEGER,
    transmission  INTEGER REFERENCES transmission (id),
    frame         INTEGER,
    field         INTEGER,
    supersedes    TEXT,
    chain         BLOB
) STRICT;

INSERT INTO basis (store_id, kind, clock_synced, cell, station, gauge, operator, job, part_number, revision, operation, cycle, mode,
    balloon, feature, quantity, unit, unit_as_sent, mark, lower, upper, rule, outcome, reasons, cutoff_mm, sections,
    lambda_s_um, filter, standard, conditions_source, gauge_state, instrument_verdict, job_hash, program_version)
SELECT DISTINCT substr(result_id, 1, length(result_id) - length(seq) - 1), kind, clock_synced, cell, station, gauge, operator, job, part_number, revision, operation, cycle, mode,
    balloon, feature, quantity, unit, unit_as_sent, mark, lower, upper, rule, outcome, reasons, cutoff_mm, sections,
    lambda_s_um, filter, standard, conditions_source, gauge_state, instrument_verdict, job_hash, program_version FROM result;
INSERT INTO entry (seq, basis, received_at, received_us, measured_at, serial, run, piece, value, value_as_sent, trace,
    attempt, transmission, frame, field, supersedes, chain)
SELECT seq, (SELECT b.id FROM basis AS b WHERE
    (b.store_id, b.kind, b.clock_synced, b.cell, b.station, b.gauge, b.operator, b.job, b.part_number, b.revision, b.operation, b.cycle,
     b.mode, b.balloon, b.feature, b.quantity, b.unit, b.unit_as_sent, b.mark, b.lower, b.upper, b.rule, b.outcome,
     b.reasons, b.cutoff_mm, b.sections, b.lambda_s_um, b.filter, b.standard, b.conditions_source, b.gauge_state,
     b.instrument_verdict, b.job_hash, b.program_version) IS
    (substr(r.result_id, 1, length(r.result_id) - length(r.seq) - 1), r.kind, r.clock_synced, r.cell, r.station, r.gauge, r.operator, r.job, r.part_number, r.revision, r.operation, r.cycle,
     r.mode, r.balloon, r.feature, r.quantity, r.unit, r.unit_as_sent, r.mark, r.lower, r.upper, r.rule, r.outcome,
     r.reasons, r.cutoff_mm, r.sections, r.lambda_s_um, r.filter, r.standard, r.conditions_source, r.gauge_state,
     r.instrument_verdict, r.job_hash, r.program_version)),
    received_at, received_us, measured_at, serial, run, piece, value, value_as_sent, trace, attempt, transmission, frame,
    CASE WHEN kind IN ('reading', 'notice') THEN field END, supersedes, chain
FROM result AS r ORDER BY seq;
DELETE FROM sqlite_sequence WHERE name = 'entry';
INSERT INTO sqlite_sequence (name, seq) SELECT 'entry', seq FROM sqlite_sequence WHERE name = 'result';

-- What makes readings of a gauge the same reading, where its definition says what does.
CREATE TABLE identity_3 (
    gauge TEXT NOT NULL,
    key   TEXT NOT NULL,
    seq   INTEGER NOT NULL REFERENCES entry (seq),
    PRIMARY KEY (gauge, key)
) STRICT, WITHOUT ROWID;
INSERT INTO identity_3 SELECT gauge, key, seq FROM identity;
DROP TABLE identity;
ALTER TABLE identity_3 RENAME TO identity;

-- Which rows go out in which file: stretches of numbers without a gap, one for each file as a rule.
CREATE TABLE stretch (
    parcel INTEGER NOT NULL REFERENCES parcel (id),
    first  INTEGER NOT NULL,
    last   INTEGER NOT NULL,
    PRIMARY KEY (parcel, first)
) STRICT, WITHOUT ROWID;
INSERT INTO stretch SELECT parcel, min(seq), max(seq) FROM
    (SELECT parcel, seq, seq - row_number() OVER (PARTITION BY parcel ORDER BY seq) AS island FROM outbox)
    GROUP BY parcel, island;
DROP TABLE outbox;

DROP VIEW results;
DROP TABLE result;

-- One reading is one row, whatever is retried. Only a row that tells of one reading has a `field`.
CREATE UNIQUE INDEX entry_reading ON entry (transmission, frame, field) WHERE field IS NOT NULL;
CREATE INDEX entry_piece ON entry (run, piece) WHERE piece IS NOT NULL;
CREATE INDEX entry_serial ON entry (serial) WHERE serial IS NOT NULL;
CREATE INDEX entry_received ON entry (received_us);

CREATE VIEW result AS
SELECT e.seq, b.store_id || '-' || e.seq AS result_id, b.kind, e.received_at,
       e.received_us, e.measured_at, b.clock_synced, b.cell, b.station, b.gauge, b.operator, b.job, b.part_number, b.revision,
       b.operation, e.serial, e.piece, b.cycle, b.mode, b.balloon, b.feature, b.quantity, e.value, b.unit, e.value_as_sent,
       b.unit_as_sent, b.mark, b.lower, b.upper, b.rule, b.outcome, b.reasons, e.trace, e.attempt, b.cutoff_mm, b.sections,
       b.lambda_s_um, b.filter, b.standard, b.conditions_source, b.gauge_state, b.instrument_verdict, e.transmission,
       b.job_hash, e.supersedes, e.frame, e.field, e.run, b.program_version, e.chain
FROM entry AS e CROSS JOIN basis AS b ON b.id = e.basis;

CREATE VIEW results AS
SELECT result_id, seq, kind, received_at, measured_at,
       CASE clock_synced WHEN 1 THEN 'yes' ELSE 'no' END AS clock_synced,
       cell, station, gauge, operator, job, part_number, revision, operation, serial, piece, cycle, mode, balloon,
       feature, quantity, value, unit, value_as_sent, unit_as_sent, mark, lower, upper, rule, outcome, reasons, trace,
       attempt, cutoff_mm, sections, lambda_s_um, filter, standard, conditions_source, gauge_state,
       instrument_verdict, transmission, job_hash, supersedes
FROM result;

-- Row by row, for questions about single rows.
CREATE VIEW outbox AS
SELECT p.sink, e.seq, s.parcel
FROM stretch AS s JOIN parcel AS p ON p.id = s.parcel JOIN entry AS e ON e.seq BETWEEN s.first AND s.last;

-- How frames fared. Each frame of a port and each one that is not accepted has a row; accepted frames of a file stand
-- together in pages, `body` being the list of their reports.
ALTER TABLE frame RENAME TO single_frame;
CREATE TABLE frame_page (
    transmission INTEGER NOT NULL REFERENCES transmission (id),
    first        INTEGER NOT NULL,
    last         INTEGER NOT NULL,
    body         TEXT NOT NULL,
    UNIQUE (transmission, first)
) STRICT;
CREATE VIEW frame AS
SELECT transmission, number, start, bytes, outcome, reason, detail, remarks, report FROM single_frame
UNION ALL
SELECT p.transmission, p.first + f.key, f.value ->> '$.offset', f.value ->> '$.bytes', 'accepted', NULL, NULL,
       coalesce((SELECT group_concat(r.value, ' ') FROM json_each(f.value, '$.remarks') AS r), ''), f.value
FROM frame_page AS p, json_each(p.body) AS f;
