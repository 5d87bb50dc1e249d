-- Wall times are Unix nanoseconds (0: not known), t are core seconds.
CREATE TABLE configs (
  hash TEXT PRIMARY KEY, -- SHA-256 of text, hexadecimal
  text TEXT NOT NULL
) STRICT;

CREATE TABLE runs (
  n          INTEGER PRIMARY KEY AUTOINCREMENT,
  id         TEXT NOT NULL UNIQUE,
  box        TEXT NOT NULL,
  zone       TEXT NOT NULL,
  start_wall INTEGER NOT NULL,
  start_t    REAL NOT NULL,
  end_wall   INTEGER, -- NULL while the run is not ended
  end_t      REAL,
  config     TEXT NOT NULL REFERENCES configs (hash),
  software   TEXT NOT NULL,
  summary    TEXT     -- the JSON of the last summary event
) STRICT;

-- Each row is the input log of one commit. run is '' between runs.
CREATE TABLE inputs (
  n    INTEGER PRIMARY KEY,
  run  TEXT NOT NULL,
  wall INTEGER NOT NULL, -- of the first input in log
  log  BLOB NOT NULL
) STRICT;
CREATE INDEX inputs_run ON inputs (run, n);

-- events and messages share one sequence that never goes back.
CREATE TABLE events (
  seq  INTEGER PRIMARY KEY,
  run  TEXT NOT NULL,
  wall INTEGER NOT NULL,
  t    REAL NOT NULL,
  kind TEXT NOT NULL,
  json TEXT NOT NULL
) STRICT;
CREATE INDEX events_run ON events (run, seq);

-- Answers to persons' actions: a repeated submit finds its first answer here.
CREATE TABLE actions (
  id   TEXT NOT NULL, -- made by the sender
  kind TEXT NOT NULL, -- of the event: action or refusal
  seq  INTEGER NOT NULL,
  PRIMARY KEY (id, kind)
) STRICT, WITHOUT ROWID;
CREATE INDEX actions_seq ON actions (seq);

-- What is to be sent on besides the events; gone once every sink has had it.
CREATE TABLE messages (
  seq     INTEGER PRIMARY KEY,
  wall    INTEGER NOT NULL,
  kind    TEXT NOT NULL,
  payload BLOB NOT NULL
) STRICT;

CREATE TABLE sinks (
  name TEXT PRIMARY KEY,
  done INTEGER NOT NULL -- the sink has had everything up to this seq
) STRICT, WITHOUT ROWID;

CREATE TABLE state (
  key   TEXT PRIMARY KEY,
  value BLOB NOT NULL
) STRICT, WITHOUT ROWID;
