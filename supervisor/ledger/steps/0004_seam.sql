-- Step 4: where the joint of the belt was seen. The newest counts.

CREATE TABLE seam (
  seq        INTEGER PRIMARY KEY REFERENCES entry (seq),
  advance_mm REAL NOT NULL, -- net belt advance at which the joint's start is under the nozzle
  by         TEXT NOT NULL
) STRICT;
