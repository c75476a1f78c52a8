package ledger

import (
	"context"
	"database/sql"
	"time"
)

// HeldFor returns the longest machine time of a completed cycle in a lot of which a
// check in force found good parts: so long a belt has held a part so far. Waiting for
// heat within the cycle is counted, so that it can be minutes too much. It is 0 when
// there is none.
func (l *Ledger) HeldFor(ctx context.Context) (longest time.Duration, err error) {
	err = l.view(ctx, "how long parts were held", func(q querier) error {
		return each(ctx, q, `SELECT coalesce(max(c.machine_ns), 0) FROM cycle c WHERE c.state IN (?, ?) AND EXISTS
			(SELECT 1 FROM visit v WHERE v.lot = c.lot AND v.good > 0 AND `+inForce+")",
			[]any{CycleStateMade, CycleStateDischarged}, func(rows *sql.Rows) error {
				var ns int64
				err := rows.Scan(&ns)
				longest = time.Duration(ns)
				return err
			})
	})
	return longest, err
}
