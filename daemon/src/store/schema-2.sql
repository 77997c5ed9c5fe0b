-- Version 2: a day's digest looks rows up by time, and ports that babble are counted over restarts.

CREATE INDEX result_received ON result (received_us);
CREATE INDEX transmission_received ON transmission (received_us);
CREATE INDEX coverage_until ON coverage (until_us);

-- Rejected frames of a port per local day: kept ones and, beyond the stated amount, those that were only counted.
CREATE TABLE babble (
    station TEXT NOT NULL,
    day     TEXT NOT NULL,
    kept    INTEGER NOT NULL,
    dropped INTEGER NOT NULL,
    bytes   INTEGER NOT NULL,
    PRIMARY KEY (station, day)
) STRICT, WITHOUT ROWID;
CREATE INDEX babble_day ON babble (day);
