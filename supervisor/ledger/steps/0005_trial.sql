-- Step 5: the belt's scale as it was set on boards, and alignment trials.

-- The newest of a port counts; setting it back is a row of its own.
CREATE TABLE scale_set (
  seq              INTEGER PRIMARY KEY REFERENCES entry (seq),
  port             TEXT NOT NULL,
  axis             TEXT NOT NULL,
  old_steps_per_mm REAL NOT NULL CHECK (old_steps_per_mm > 0),
  new_steps_per_mm REAL NOT NULL CHECK (new_steps_per_mm > 0),
  travel_mm        REAL NOT NULL, -- belt travel when it was set
  stored           INTEGER NOT NULL CHECK (stored IN (0, 1)), -- it outlives a restart of the board
  by               TEXT NOT NULL
) STRICT;

CREATE INDEX scale_of_port ON scale_set (port);

CREATE TABLE trial (
  trial          INTEGER PRIMARY KEY CHECK (trial > 0),
  begun_seq      INTEGER NOT NULL UNIQUE REFERENCES entry (seq),
  run_mm         REAL NOT NULL CHECK (run_mm > 0), -- how far the belt was to run
  before_mm      REAL NOT NULL,                    -- lateral offset at the begin
  travel_mm      REAL NOT NULL,
  advance_mm     REAL NOT NULL,
  adjuster       TEXT NOT NULL, -- turned since the trial before; empty for none
  turns          REAL NOT NULL,
  by             TEXT NOT NULL,
  ran_seq        INTEGER UNIQUE REFERENCES entry (seq), -- the belt has stopped
  ran_travel_mm  REAL,
  ran_advance_mm REAL,
  ended_seq      INTEGER UNIQUE REFERENCES entry (seq),
  how            TEXT NOT NULL DEFAULT '',
  after_mm       REAL, -- lateral offset at the end; without one the trial was broken off
  CHECK ((turns = 0) = (adjuster = '')),
  CHECK ((ran_seq IS NULL) = (ran_travel_mm IS NULL) AND (ran_seq IS NULL) = (ran_advance_mm IS NULL)),
  CHECK (after_mm IS NULL OR (ran_seq IS NOT NULL AND ended_seq IS NOT NULL))
) STRICT;

CREATE TRIGGER trial_one_at_a_time BEFORE INSERT ON trial BEGIN
  SELECT RAISE(ABORT, 'trial numbers only grow') WHERE NEW.trial <= (SELECT max(trial) FROM trial);
  SELECT RAISE(ABORT, 'another trial has begun and not ended')
    WHERE (SELECT ended_seq IS NULL FROM trial ORDER BY trial DESC LIMIT 1);
END;

CREATE TRIGGER trial_runs_once BEFORE UPDATE OF ran_seq ON trial
WHEN OLD.ran_seq IS NOT NULL OR OLD.ended_seq IS NOT NULL BEGIN
  SELECT RAISE(ABORT, 'the trial has already run or ended');
END;

CREATE TRIGGER trial_ends_once BEFORE UPDATE OF ended_seq ON trial
WHEN OLD.ended_seq IS NOT NULL BEGIN
  SELECT RAISE(ABORT, 'the trial has already ended');
END;
