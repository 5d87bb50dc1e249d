-- What persons noted of a run afterwards.
CREATE TABLE notes (
  n    INTEGER PRIMARY KEY,
  id   TEXT NOT NULL UNIQUE, -- made by the sender: a note sent twice is one
  run  TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
  wall INTEGER NOT NULL,
  by   TEXT NOT NULL, -- '' where nobody signed in
  text TEXT NOT NULL
) STRICT;
CREATE INDEX notes_run ON notes (run, n);

-- When the run's samples were thinned; NULL: all are there.
ALTER TABLE runs ADD COLUMN thinned INTEGER;
