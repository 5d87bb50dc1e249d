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

-- What was estimated in a run, once a minute: it stays when the samples are thinned.
CREATE TABLE estimates (
  n    INTEGER PRIMARY KEY,
  run  TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
  wall INTEGER NOT NULL,
  t    REAL NOT NULL,
  json TEXT NOT NULL -- by name: value, sigma, word, quality
) STRICT;
CREATE INDEX estimates_run ON estimates (run, n);
