-- Step 10: what a check says of the lengths measured before, from which control limits are being learned.

CREATE TABLE size_word (
  visit     INTEGER PRIMARY KEY REFERENCES visit (visit),
  set_aside TEXT NOT NULL CHECK (json_type(set_aside) = 'array'), -- numbers of lengths of the job, from 1
  accepted  INTEGER NOT NULL CHECK (accepted IN (0, 1))           -- the others are taken as they are
) STRICT;
