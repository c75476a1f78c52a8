-- Step 13: whether a lot holds after the first part of a job that was not yet found good on the belt's surface.

CREATE TABLE first_article (
  seq    INTEGER PRIMARY KEY REFERENCES entry (seq),
  lot    INTEGER NOT NULL UNIQUE REFERENCES lot (lot),
  wanted INTEGER NOT NULL CHECK (wanted IN (0, 1)),
  why    TEXT NOT NULL, -- the reason for which a lot does without
  by     TEXT NOT NULL,
  CHECK (wanted = 1 OR why <> '')
) STRICT;
