package ledger

import (
	"context"
	"database/sql"
	"errors"
)

// SeamSeen keeps where the operator saw the joint of the belt: the net advance, on the
// ledger's scale, at which its start is under the nozzle. The newest one counts.
type SeamSeen struct {
	AdvanceMM float64
	By        string
}

func (SeamSeen) kind() string { return "seam_seen" }

func (r SeamSeen) faults() []string {
	var f faultList
	f.finite("AdvanceMM", r.AdvanceMM)
	return f
}

func (r SeamSeen) apply(t *txn) error {
	return t.exec("INSERT INTO seam (seq, advance_mm, by) VALUES (?, ?, ?)", t.seq, r.AdvanceMM, r.By)
}

// Seam returns where the joint was last seen, nil when it never was.
func (l *Ledger) Seam(ctx context.Context) (seen *SeamSeen, err error) {
	err = l.view(ctx, "the seam", func(q querier) error {
		var s SeamSeen
		err := q.QueryRowContext(ctx, "SELECT advance_mm, by FROM seam ORDER BY seq DESC LIMIT 1").Scan(&s.AdvanceMM, &s.By)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		seen = &s
		return err
	})
	if err != nil {
		return nil, err
	}
	return seen, nil
}
