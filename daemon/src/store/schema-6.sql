-- Version 6: what happened to gauges: verifications with the values of their specimens, and what demands one.

-- A row for everything that happened; `after_seq` is the last result before it. `body` tells it as JSON.
CREATE TABLE gauge_event (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    at        TEXT NOT NULL,
    at_us     INTEGER NOT NULL,
    gauge     TEXT NOT NULL,
    kind      TEXT NOT NULL,
    by_whom   TEXT,
    after_seq INTEGER NOT NULL,
    body      TEXT NOT NULL
) STRICT;
CREATE INDEX gauge_event_gauge ON gauge_event (gauge, id);
