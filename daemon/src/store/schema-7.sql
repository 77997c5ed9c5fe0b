-- Version 7: what persons decide about results: void, of another piece, disposed. Rows that were written stay as they are; a
-- correction names the row that it takes the place of and, as `root`, the first row of that line.

ALTER TABLE entry ADD COLUMN root INTEGER REFERENCES entry (seq);
UPDATE entry SET root = (
    WITH RECURSIVE back (seq, id) AS (
        SELECT entry.seq, entry.supersedes
        UNION ALL
        SELECT e.seq, e.supersedes FROM back JOIN entry AS e ON e.seq = CAST(substr(back.id, instr(back.id, '-') + 1) AS INTEGER)
        JOIN basis AS b ON b.id = e.basis AND b.store_id || '-' || e.seq = back.id
    )
    SELECT seq FROM back WHERE seq <> entry.seq ORDER BY seq LIMIT 1
) WHERE supersedes IS NOT NULL;
CREATE INDEX entry_root ON entry (root, seq) WHERE root IS NOT NULL;

-- A person's decision, and the rows that it made. `body` tells the rest as JSON.
CREATE TABLE decision (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    at      TEXT NOT NULL,
    at_us   INTEGER NOT NULL,
    kind    TEXT NOT NULL,
    by_whom TEXT NOT NULL,
    reason  TEXT NOT NULL,
    body    TEXT NOT NULL
) STRICT;
CREATE INDEX decision_at ON decision (at_us);
CREATE TABLE decided (
    seq      INTEGER PRIMARY KEY REFERENCES entry (seq),
    decision INTEGER NOT NULL REFERENCES decision (id)
) STRICT;
CREATE INDEX decided_decision ON decided (decision);

-- What is said of pieces that are made again: the cycle that a serial number of a job is in.
CREATE TABLE rework (
    job    TEXT NOT NULL,
    serial TEXT NOT NULL,
    cycle  INTEGER NOT NULL,
    PRIMARY KEY (job, serial)
) STRICT, WITHOUT ROWID;

-- The chain over results begins here; nothing is said of what was written before.
INSERT INTO fact SELECT 'chain_from', coalesce(max(seq), 0) FROM entry;
CREATE INDEX entry_chain ON entry (seq) WHERE chain IS NOT NULL;

DROP VIEW results;
DROP VIEW result;
CREATE VIEW result AS
SELECT e.seq, b.store_id || '-' || e.seq AS result_id, b.kind, e.received_at,
       e.received_us, e.measured_at, b.clock_synced, b.cell, b.station, b.gauge, b.operator, b.job, b.part_number, b.revision,
       b.operation, e.serial, e.piece, b.cycle, b.mode, b.balloon, b.feature, b.quantity, e.value, b.unit, e.value_as_sent,
       b.unit_as_sent, b.mark, b.lower, b.upper, b.rule, b.outcome, b.reasons, e.trace, e.attempt, b.cutoff_mm, b.sections,
       b.lambda_s_um, b.filter, b.standard, b.conditions_source, b.gauge_state, b.instrument_verdict, e.transmission,
       b.job_hash, e.supersedes, e.frame, e.field, e.run, b.program_version, e.chain, e.root
FROM entry AS e CROSS JOIN basis AS b ON b.id = e.basis;

CREATE VIEW results AS
SELECT result_id, seq, kind, received_at, measured_at,
       CASE clock_synced WHEN 1 THEN 'yes' ELSE 'no' END AS clock_synced,
       cell, station, gauge, operator, job, part_number, revision, operation, serial, piece, cycle, mode, balloon,
       feature, quantity, value, unit, value_as_sent, unit_as_sent, mark, lower, upper, rule, outcome, reasons, trace,
       attempt, cutoff_mm, sections, lambda_s_um, filter, standard, conditions_source, gauge_state,
       instrument_verdict, transmission, job_hash, supersedes
FROM result;
