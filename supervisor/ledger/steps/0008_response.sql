-- Step 8: who has acted, so that others need not be called, and in what way an alert was done with.

CREATE TABLE response (
  seq  INTEGER PRIMARY KEY REFERENCES entry (seq),
  what TEXT NOT NULL CHECK (what <> ''), -- command, check, acknowledged and so on
  by   TEXT NOT NULL
) STRICT;

ALTER TABLE delivery ADD COLUMN how TEXT NOT NULL DEFAULT 'sent' CHECK (how IN ('sent', 'collected', 'unneeded'));
