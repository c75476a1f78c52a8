package ledger

import (
	"context"
	"fmt"
)

// ChecksInForce returns every check that no later one corrects, of all lots and of none. A correction stands where the
// check stood that it corrects.
func (l *Ledger) ChecksInForce(ctx context.Context) (checks []Check, err error) {
	err = l.view(ctx, "the checks in force", func(q querier) error {
		checks, err = checksWhere(ctx, q, inForce+" ORDER BY v.root")
		return err
	})
	return checks, err
}

// CheckOf returns one check, in force or corrected; the error wraps ErrNotFound when there is none of that number.
func (l *Ledger) CheckOf(ctx context.Context, id int64) (check Check, err error) {
	err = l.view(ctx, "a check", func(q querier) error {
		checks, err := checksWhere(ctx, q, "v.visit = ?", id)
		if err == nil && len(checks) == 0 {
			err = fmt.Errorf("check %d: %w", id, ErrNotFound)
		}
		if err == nil {
			check = checks[0]
		}
		return err
	})
	return check, err
}

// Taken is what cycles have taken from the spool and given to the bin.
type Taken struct {
	// FilamentMM is by the cycles begun; one of which nothing is known yet, or ever, counts as a whole one.
	FilamentMM float64
	Parts      int // made
}

// takenSince counts from an entry of the journal on.
func takenSince(ctx context.Context, q querier, seq int64) (t Taken, err error) {
	err = q.QueryRowContext(ctx, `SELECT (SELECT coalesce(sum(coalesce(c.filament_mm, j.filament_mm)), 0) FROM cycle c
		JOIN lot_job j ON j.lot = c.lot AND j.job_index = c.job_index WHERE c.begun_seq > ?1),
		(SELECT count(*) FROM cycle WHERE made_seq > ?1)`, seq).Scan(&t.FilamentMM, &t.Parts)
	return t, err
}

// TakenSince counts from the visit on that a check records, which for a correction is that of the check it corrects.
func (l *Ledger) TakenSince(ctx context.Context, checkID int64) (t Taken, err error) {
	err = l.view(ctx, "what was taken since a check", func(q querier) error {
		var seq int64
		err := q.QueryRowContext(ctx, "SELECT r.seq FROM visit v JOIN visit r ON r.visit = v.root WHERE v.visit = ?", checkID).Scan(&seq)
		if err == nil {
			t, err = takenSince(ctx, q, seq)
		}
		return err
	})
	return t, err
}
