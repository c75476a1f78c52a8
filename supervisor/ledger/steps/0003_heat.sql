-- Step 3: how quickly the heaters warm and cool, as learned. One row for each time that something was learned;
-- the newest of a port's heater counts.

CREATE TABLE heat (
  seq    INTEGER PRIMARY KEY REFERENCES entry (seq),
  port   TEXT NOT NULL,
  heater TEXT NOT NULL CHECK (heater <> ''),
  model  TEXT NOT NULL CHECK (json_type(model) = 'object')
) STRICT;

CREATE INDEX heat_of_port ON heat (port, heater);
