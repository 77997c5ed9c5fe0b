-- Version 5: files that grow are taken row by row; each stretch of rows is a transmission of its own.

-- How far each such file is taken. A *generation* is one writing of a file from its beginning, named by its first
-- transmission; a file that was written anew has another one, and `before` is the one whose rows it holds again, as far
-- as `until`. `sha256` is of all bytes of the file up to `last`. A file that was renamed goes on under its new name: a row
-- without bytes (`first` = `last`).
CREATE TABLE growth (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    station      TEXT NOT NULL,
    name         TEXT NOT NULL,
    generation   INTEGER NOT NULL,
    first        INTEGER NOT NULL,
    last         INTEGER NOT NULL,
    sha256       TEXT NOT NULL,
    inode        INTEGER NOT NULL,
    before       INTEGER,
    until        INTEGER NOT NULL,
    transmission INTEGER NOT NULL REFERENCES transmission (id)
) STRICT;
CREATE INDEX growth_name ON growth (station, name, id);
CREATE INDEX growth_generation ON growth (generation, first);
