-- Step 2: the outbox of alerts. An alert waits until each channel has delivered it.

CREATE TABLE alert (
  alert   TEXT PRIMARY KEY CHECK (alert <> ''),
  seq     INTEGER NOT NULL UNIQUE REFERENCES entry (seq),
  kind    TEXT NOT NULL,
  state   TEXT NOT NULL,
  reason  TEXT NOT NULL,
  text    TEXT NOT NULL,
  lot     INTEGER REFERENCES lot (lot),
  payload TEXT CHECK (payload IS NULL OR json_valid(payload))
) STRICT;

-- A channel takes the alerts after from_seq, so that one configured later does not repeat the past.
CREATE TABLE channel (
  channel  TEXT PRIMARY KEY CHECK (channel <> ''),
  from_seq INTEGER NOT NULL
) STRICT;

CREATE TABLE delivery (
  alert         TEXT NOT NULL REFERENCES alert (alert),
  channel       TEXT NOT NULL REFERENCES channel (channel),
  tries         INTEGER NOT NULL DEFAULT 0 CHECK (tries >= 0), -- failed attempts
  last_error    TEXT NOT NULL DEFAULT '',
  tried_seq     INTEGER REFERENCES entry (seq),
  next_mono_ms  INTEGER NOT NULL DEFAULT 0, -- since the start that wrote tried_seq
  delivered_seq INTEGER UNIQUE REFERENCES entry (seq),
  PRIMARY KEY (alert, channel),
  CHECK ((tries > 0) = (tried_seq IS NOT NULL))
) STRICT, WITHOUT ROWID;

CREATE TRIGGER delivery_once BEFORE UPDATE ON delivery
WHEN OLD.delivered_seq IS NOT NULL BEGIN
  SELECT RAISE(ABORT, 'the alert has already been delivered on this channel');
END;
