-- Step 9: how much was removed because it was old, so that its gaps in the journal are known for what they are, and no
-- total ever falls.

CREATE TABLE trimmed (
  one     INTEGER PRIMARY KEY CHECK (one = 1),
  up_to   INTEGER NOT NULL,                      -- after this entry none is missing
  entries INTEGER NOT NULL CHECK (entries >= 0)  -- so many are missing up to it
) STRICT;

CREATE TABLE trimmed_total (
  what TEXT NOT NULL CHECK (what IN ('event', 'delivery')),
  name TEXT NOT NULL, -- the kind of the events, the channel of the deliveries
  n    INTEGER NOT NULL CHECK (n > 0),
  PRIMARY KEY (what, name)
) STRICT, WITHOUT ROWID;
