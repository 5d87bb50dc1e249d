-- The archive as version 1 wrote it: schema and rows. Frozen: never edited, so that old archives stay readable.
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

PRAGMA user_version = 1;
INSERT INTO configs VALUES ('cafe', 'zones: []');
INSERT INTO runs VALUES (1, 'r1', 'north-box', 'east', 1775113200000000000, 41.0, 1775116800000000000, 3641.0, 'cafe', '0.1.0', '{"t":3640,"kind":"summary","volume_l":512.5,"stock_l":{"drawn":null,"by_ec":7.25,"by_ratio":null},"flush":"done","undelivered_pct":0.5,"last_emitter_delivered_pct":null,"baseline_us_cm":null,"rise_us_cm":null,"observed":false,"milestones":[]}');
INSERT INTO inputs VALUES (1, 'r1', 0, x'011100000080a8d6b9070001060000000000803340008801f0a3');
INSERT INTO events VALUES (7, 'r1', 1775113200000000000, 41.0, 'step', '{"t":41,"kind":"step","step":"pressurise","why":"main flow seen"}');
INSERT INTO events VALUES (9, 'r1', 1775116800000000000, 3640.0, 'advice', '{"t":3640,"kind":"advice","number":4,"text":"close the supply valve","why":["a","b"]}');
INSERT INTO messages VALUES (12, 1775116800000000000, 'sample', x'5b315d');
INSERT INTO sinks VALUES ('field', 7);
INSERT INTO actions VALUES ('a1', 'action', 7);
INSERT INTO state VALUES ('journal.seq', x'3132');
