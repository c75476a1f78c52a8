-- Step 11: what the owner wants done to the machine every so often, and when it was.

CREATE TABLE care (
  seq       INTEGER PRIMARY KEY REFERENCES entry (seq),
  name      TEXT NOT NULL CHECK (name <> ''),
  begun     INTEGER NOT NULL CHECK (begun IN (0, 1)), -- 1: counting begins here, nothing was done
  travel_mm REAL NOT NULL,
  by        TEXT NOT NULL
) STRICT;
