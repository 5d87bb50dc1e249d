-- Every calibration that was made, also those that later ones have replaced.
CREATE TABLE calibrations (
  n       INTEGER PRIMARY KEY,
  id      TEXT NOT NULL UNIQUE, -- made by the sender: one sent twice is one
  wall    INTEGER NOT NULL,
  channel TEXT NOT NULL, -- trace column, or 'injector'
  json    TEXT NOT NULL
) STRICT;
CREATE INDEX calibrations_channel ON calibrations (channel, n);
