-- Step 12: what an order carries on paper and no part depends on.

CREATE TABLE lot_particulars (
  lot            INTEGER PRIMARY KEY REFERENCES lot (lot),
  order_number   TEXT NOT NULL, -- the customer's
  material       TEXT NOT NULL,
  material_batch TEXT NOT NULL  -- its maker's number, as on the spool's label
) STRICT;
