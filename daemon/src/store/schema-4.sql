-- Version 4: what labels said, and which of it each result was given.

-- A row for every change of what is held; `body` is all that is held then. `after_seq` is the last result before it.
CREATE TABLE context (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    at           TEXT NOT NULL,
    at_us        INTEGER NOT NULL,
    transmission INTEGER REFERENCES transmission (id),
    after_seq    INTEGER NOT NULL,
    body         TEXT NOT NULL
) STRICT;

ALTER TABLE entry ADD COLUMN context INTEGER REFERENCES context (id);
