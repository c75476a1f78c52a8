-- Step 6: where parts were laid on the belt, as the net advances at which their two ends lay under the nozzle; and
-- what length a lot's parts should have.

CREATE TABLE laid (
  seq     INTEGER PRIMARY KEY REFERENCES entry (seq),
  cycle   INTEGER NOT NULL UNIQUE REFERENCES cycle (cycle),
  from_mm REAL NOT NULL,
  to_mm   REAL NOT NULL CHECK (to_mm >= from_mm)
) STRICT;

CREATE TABLE lot_size (
  seq          INTEGER PRIMARY KEY REFERENCES entry (seq),
  lot          INTEGER NOT NULL,
  job_index    INTEGER NOT NULL,
  length_mm    REAL NOT NULL CHECK (length_mm > 0),
  tolerance_mm REAL NOT NULL CHECK (tolerance_mm > 0),
  UNIQUE (lot, job_index),
  FOREIGN KEY (lot, job_index) REFERENCES lot_job (lot, job_index)
) STRICT;
