-- Step 1: the journal, lots, cycles, the belt, holds, checks, boards, events and states.
-- The journal (entry) orders everything. A row's time of day is information only.

CREATE TABLE boot (
  boot     INTEGER PRIMARY KEY,
  boot_id  TEXT NOT NULL,
  start_id TEXT NOT NULL UNIQUE,
  wall_ms  INTEGER NOT NULL
) STRICT;

CREATE TABLE entry (
  seq     INTEGER PRIMARY KEY,
  boot    INTEGER NOT NULL REFERENCES boot (boot),
  kind    TEXT NOT NULL,
  wall_ms INTEGER NOT NULL,
  mono_ms INTEGER NOT NULL CHECK (mono_ms >= 0)
) STRICT;

CREATE TABLE lot (
  lot         INTEGER PRIMARY KEY CHECK (lot > 0),
  name        TEXT NOT NULL,
  job_order   TEXT NOT NULL CHECK (job_order IN ('blocks', 'turn')),
  status      TEXT NOT NULL CHECK (status IN ('open', 'made', 'closed', 'ended')),
  opened_seq  INTEGER NOT NULL UNIQUE REFERENCES entry (seq),
  changed_seq INTEGER NOT NULL UNIQUE REFERENCES entry (seq)
) STRICT;

CREATE TRIGGER lot_numbers_grow BEFORE INSERT ON lot
WHEN NEW.lot <= (SELECT max(lot) FROM lot) BEGIN
  SELECT RAISE(ABORT, 'lot numbers only grow');
END;

CREATE TRIGGER lot_final BEFORE UPDATE OF status ON lot
WHEN OLD.status IN ('closed', 'ended') BEGIN
  SELECT RAISE(ABORT, 'the lot is already closed or ended');
END;

CREATE TABLE lot_change (
  seq    INTEGER PRIMARY KEY REFERENCES entry (seq),
  lot    INTEGER NOT NULL REFERENCES lot (lot),
  status TEXT NOT NULL,
  reason TEXT NOT NULL
) STRICT;

CREATE TABLE lot_job (
  lot            INTEGER NOT NULL REFERENCES lot (lot),
  job_index      INTEGER NOT NULL CHECK (job_index >= 0),
  path           TEXT NOT NULL,
  sha256         TEXT NOT NULL,
  name           TEXT NOT NULL,
  good_ordered   INTEGER NOT NULL CHECK (good_ordered >= 0),
  filament_mm    REAL NOT NULL,
  belt_travel_mm REAL NOT NULL,
  pitch_mm       REAL NOT NULL,
  PRIMARY KEY (lot, job_index)
) STRICT, WITHOUT ROWID;

CREATE TABLE alteration (
  lot       INTEGER NOT NULL,
  n         INTEGER NOT NULL,
  job_index INTEGER NOT NULL,
  kind      TEXT NOT NULL CHECK (kind IN ('withheld', 'added')),
  line      INTEGER NOT NULL,
  text      TEXT NOT NULL,
  why       TEXT NOT NULL,
  PRIMARY KEY (lot, n),
  FOREIGN KEY (lot, job_index) REFERENCES lot_job (lot, job_index)
) STRICT, WITHOUT ROWID;

CREATE TABLE belt (
  seq              INTEGER PRIMARY KEY REFERENCES entry (seq),
  travel_mm        REAL NOT NULL,
  advance_mm       REAL NOT NULL,
  since_realign_mm REAL NOT NULL,
  since_check_mm   REAL NOT NULL,
  uncertain_mm     REAL NOT NULL CHECK (uncertain_mm >= 0),
  known            INTEGER NOT NULL CHECK (known IN (0, 1))
) STRICT;

-- An operator's visit; "check" is a word of the language.
CREATE TABLE visit (
  visit        INTEGER PRIMARY KEY CHECK (visit > 0),
  seq          INTEGER NOT NULL UNIQUE REFERENCES entry (seq),
  lot          INTEGER REFERENCES lot (lot),
  job_index    INTEGER,
  root         INTEGER NOT NULL REFERENCES visit (visit), -- the first of a chain of corrections, or itself
  corrects     INTEGER UNIQUE REFERENCES visit (visit),   -- each visit is corrected once at most: corrections chain
  at_ms        INTEGER NOT NULL,
  offset_mm    REAL,
  lengths_mm   TEXT NOT NULL CHECK (json_type(lengths_mm) = 'array'),
  good         INTEGER NOT NULL CHECK (good >= 0),
  scrap        TEXT NOT NULL CHECK (json_type(scrap) = 'object'), -- reason to count
  scrap_total  INTEGER NOT NULL CHECK (scrap_total >= 0),
  realigned    INTEGER NOT NULL CHECK (realigned IN (0, 1)),
  belt_cleared INTEGER NOT NULL CHECK (belt_cleared IN (0, 1)),
  spool_g      REAL,
  bin_emptied  INTEGER NOT NULL CHECK (bin_emptied IN (0, 1)),
  note         TEXT NOT NULL,
  by           TEXT NOT NULL,
  travel_mm    REAL NOT NULL,
  advance_mm   REAL NOT NULL,
  cycles_made  INTEGER NOT NULL CHECK (cycles_made >= 0),
  FOREIGN KEY (lot, job_index) REFERENCES lot_job (lot, job_index),
  CHECK (corrects IS NULL OR corrects < visit),
  CHECK (lot IS NOT NULL OR (job_index IS NULL AND good = 0 AND scrap_total = 0))
) STRICT;

CREATE INDEX visit_of_lot ON visit (lot);
CREATE INDEX visit_root ON visit (root);

CREATE TRIGGER visit_numbers_grow BEFORE INSERT ON visit
WHEN NEW.visit <= (SELECT max(visit) FROM visit) BEGIN
  SELECT RAISE(ABORT, 'check numbers only grow');
END;

CREATE TABLE cycle (
  cycle           INTEGER PRIMARY KEY CHECK (cycle > 0),
  lot             INTEGER NOT NULL,
  job_index       INTEGER NOT NULL,
  ordinal         INTEGER NOT NULL,
  end_number      INTEGER NOT NULL,
  state           TEXT NOT NULL CHECK (state IN ('begun', 'made', 'discharged', 'interrupted', 'decided')),
  begun_seq       INTEGER NOT NULL REFERENCES entry (seq),
  made_seq        INTEGER REFERENCES entry (seq),
  discharged_seq  INTEGER REFERENCES entry (seq),
  interrupted_seq INTEGER REFERENCES entry (seq),
  decided_seq     INTEGER REFERENCES entry (seq),
  filament_mm     REAL,
  machine_ns      INTEGER,
  evidence        TEXT CHECK (evidence IN ('confirmed by the board', 'line number after restart')),
  reason          TEXT,
  good            INTEGER CHECK (good IN (0, 1)),
  visit           INTEGER REFERENCES visit (visit),
  note            TEXT,
  UNIQUE (lot, ordinal),
  FOREIGN KEY (lot, job_index) REFERENCES lot_job (lot, job_index),
  CHECK ((made_seq IS NOT NULL) = (state IN ('made', 'discharged'))),
  CHECK ((discharged_seq IS NOT NULL) = (state = 'discharged')),
  CHECK ((interrupted_seq IS NOT NULL) = (state IN ('interrupted', 'decided'))),
  CHECK ((decided_seq IS NOT NULL) = (state = 'decided')),
  CHECK ((made_seq IS NULL) = (evidence IS NULL) AND (made_seq IS NULL) = (filament_mm IS NULL)
    AND (made_seq IS NULL) = (machine_ns IS NULL)),
  CHECK ((interrupted_seq IS NULL) = (reason IS NULL)),
  CHECK ((decided_seq IS NULL) = (good IS NULL) AND (decided_seq IS NULL) = (note IS NULL)),
  CHECK (visit IS NULL OR state = 'decided')
) STRICT;

-- Holds all that counting needs, so that counting reads no rows.
CREATE INDEX cycle_counts ON cycle (lot, job_index, state, good);

CREATE TRIGGER cycle_begins BEFORE INSERT ON cycle BEGIN
  SELECT RAISE(ABORT, 'a cycle starts as begun') WHERE NEW.state <> 'begun';
  SELECT RAISE(ABORT, 'cycle numbers only grow') WHERE NEW.cycle <= (SELECT max(cycle) FROM cycle);
  SELECT RAISE(ABORT, 'another cycle is begun and neither made nor interrupted')
    WHERE (SELECT state FROM cycle ORDER BY cycle DESC LIMIT 1) = 'begun'; -- by this very rule only the last can be
  SELECT RAISE(ABORT, 'the lot is closed or ended')
    WHERE (SELECT status FROM lot WHERE lot = NEW.lot) IN ('closed', 'ended');
  SELECT RAISE(ABORT, 'the ordinal is not the next of the lot')
    WHERE NEW.ordinal <> (SELECT coalesce(max(ordinal), 0) + 1 FROM cycle WHERE lot = NEW.lot);
END;

CREATE TRIGGER cycle_order BEFORE UPDATE OF state ON cycle
WHEN NOT ((OLD.state = 'begun' AND NEW.state IN ('made', 'interrupted'))
  OR (OLD.state = 'made' AND NEW.state = 'discharged')
  OR (OLD.state = 'interrupted' AND NEW.state = 'decided')) BEGIN
  SELECT RAISE(ABORT, 'a cycle goes from begun to made to discharged, or from begun to interrupted to decided');
END;

CREATE TABLE hold (
  hold           INTEGER PRIMARY KEY CHECK (hold > 0),
  lot            INTEGER REFERENCES lot (lot),
  state          TEXT NOT NULL,
  reason         TEXT NOT NULL,
  text           TEXT NOT NULL,
  at_part        INTEGER NOT NULL,
  travel_mm      REAL NOT NULL,
  begun_seq      INTEGER NOT NULL UNIQUE REFERENCES entry (seq),
  ended_seq      INTEGER UNIQUE REFERENCES entry (seq),
  how            TEXT NOT NULL DEFAULT '',
  by             TEXT NOT NULL DEFAULT '',
  override       TEXT NOT NULL DEFAULT ''
) STRICT;

CREATE INDEX hold_of_lot ON hold (lot);

CREATE TRIGGER hold_numbers_grow BEFORE INSERT ON hold
WHEN NEW.hold <= (SELECT max(hold) FROM hold) BEGIN
  SELECT RAISE(ABORT, 'hold numbers only grow');
END;

CREATE TRIGGER hold_ends_once BEFORE UPDATE OF ended_seq ON hold
WHEN OLD.ended_seq IS NOT NULL BEGIN
  SELECT RAISE(ABORT, 'the hold has already ended');
END;

CREATE TABLE board (
  seq          INTEGER PRIMARY KEY REFERENCES entry (seq),
  port         TEXT NOT NULL,
  firmware     TEXT NOT NULL,
  capabilities TEXT NOT NULL CHECK (json_type(capabilities) = 'object'),
  steps_per_mm REAL NOT NULL
) STRICT;

CREATE INDEX board_of_port ON board (port);

CREATE TABLE event (
  seq  INTEGER PRIMARY KEY REFERENCES entry (seq),
  kind TEXT NOT NULL,
  text TEXT NOT NULL
) STRICT;

CREATE TABLE state (
  seq    INTEGER PRIMARY KEY REFERENCES entry (seq),
  state  TEXT NOT NULL,
  reason TEXT NOT NULL
) STRICT;
