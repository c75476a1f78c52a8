-- Step 7: how long parts hold on the belt's surface, and how long they were to take.

-- The newest counts: since then the surface is as it is.
CREATE TABLE surface (
  seq       INTEGER PRIMARY KEY REFERENCES entry (seq),
  how       TEXT NOT NULL CHECK (how <> ''),
  travel_mm REAL NOT NULL,
  by        TEXT NOT NULL
) STRICT;

-- The parts that a check found to have come off while they were made, with the time after their begin.
CREATE TABLE detached (
  visit    INTEGER PRIMARY KEY REFERENCES visit (visit),
  after_ms TEXT NOT NULL CHECK (json_type(after_ms) = 'array')
) STRICT;

CREATE TABLE planned (
  lot       INTEGER NOT NULL,
  job_index INTEGER NOT NULL,
  run_ns    INTEGER NOT NULL CHECK (run_ns > 0), -- of one part
  waits     INTEGER NOT NULL CHECK (waits IN (0, 1)), -- all waits for temperatures are in it
  PRIMARY KEY (lot, job_index),
  FOREIGN KEY (lot, job_index) REFERENCES lot_job (lot, job_index)
) STRICT;
