package ledger

import (
	"context"
	"database/sql"
)

// Counts returns the parts of a lot, all from one state of the ledger; the error wraps ErrNotFound when there is no such lot.
func (l *Ledger) Counts(ctx context.Context, lotID int64) (c Counts, err error) {
	err = l.view(ctx, "the counts", func(q querier) (err error) {
		c, err = countsOf(ctx, q, lotID)
		return err
	})
	return c, err
}

func countsOf(ctx context.Context, q querier, lotID int64) (Counts, error) {
	c := Counts{LotID: lotID, ScrapByReason: map[string]int{}}
	err := each(ctx, q, "SELECT job_index, name, good_ordered FROM lot_job WHERE lot = ? ORDER BY job_index", []any{lotID},
		func(rows *sql.Rows) error {
			var j JobCounts
			err := rows.Scan(&j.Index, &j.Name, &j.Ordered)
			c.Ordered += j.Ordered
			c.ByJob = append(c.ByJob, j)
			return err
		})
	if err != nil {
		return Counts{}, err
	}
	if len(c.ByJob) == 0 {
		return Counts{}, noLot(lotID) // every lot has a job
	}
	err = each(ctx, q, `SELECT job_index, state, coalesce(good, 0), count(*) FROM cycle WHERE lot = ?
		GROUP BY job_index, state, good`, []any{lotID}, func(rows *sql.Rows) error {
		var job, n int
		var state string
		var good bool
		if err := rows.Scan(&job, &state, &good, &n); err != nil {
			return err
		}
		c.addCycles(&c.ByJob[job], state, good, n)
		return nil
	})
	if err != nil {
		return Counts{}, err
	}
	// Few cycles are void: they alone are looked up in the table, the others in the index.
	err = each(ctx, q, `SELECT job_index, count(*) FROM cycle WHERE lot = ? AND state = 'decided' AND good = 0 AND visit IS NULL
		GROUP BY job_index`, []any{lotID}, func(rows *sql.Rows) error {
		var job, n int
		err := rows.Scan(&job, &n)
		if err == nil {
			j := &c.ByJob[job]
			j.Void, j.CyclesBegun, j.InterruptedScrap = n, j.CyclesBegun-n, j.InterruptedScrap-n
		}
		return err
	})
	if err != nil {
		return Counts{}, err
	}
	for i := range c.ByJob {
		j := &c.ByJob[i]
		c.Void += j.Void
		j.Made = j.Confirmed + j.InterruptedGood + j.InterruptedScrap
		c.CyclesBegun += j.CyclesBegun
		c.Confirmed += j.Confirmed
		c.Made += j.Made
		c.Interrupted += j.Interrupted
		c.InterruptedGood += j.InterruptedGood
		c.InterruptedScrap += j.InterruptedScrap
	}
	return c, c.addChecks(ctx, q)
}

// addCycles counts n cycles of a job that have come to the same state.
func (c *Counts) addCycles(j *JobCounts, state string, good bool, n int) {
	j.CyclesBegun += n
	switch state {
	case CycleStateBegun:
		c.Running += n
	case CycleStateMade, CycleStateDischarged:
		j.Confirmed += n
	case CycleStateInterrupted:
		j.Interrupted += n
	case CycleStateDecided:
		if good {
			j.InterruptedGood += n
		} else {
			j.InterruptedScrap += n
		}
	}
}

// addChecks counts what the checks in force found.
func (c *Counts) addChecks(ctx context.Context, q querier) error {
	checkedGood, checkedScrap := 0, 0
	err := each(ctx, q, `SELECT v.job_index, sum(v.good), sum(v.scrap_total) FROM visit v
		WHERE v.lot = ? AND `+inForce+" GROUP BY v.job_index", []any{c.LotID}, func(rows *sql.Rows) error {
		var job sql.NullInt64
		var good, scrap int
		if err := rows.Scan(&job, &good, &scrap); err != nil {
			return err
		}
		checkedGood += good
		checkedScrap += scrap
		if job.Valid || len(c.ByJob) == 1 {
			c.ByJob[job.Int64].CheckedGood += good
			c.ByJob[job.Int64].CheckedScrap += scrap
		}
		return nil
	})
	if err != nil {
		return err
	}
	c.Good = checkedGood + c.InterruptedGood
	c.Scrap = checkedScrap + c.InterruptedScrap
	if c.InterruptedScrap > 0 {
		c.ScrapByReason[Interrupted] = c.InterruptedScrap
	}
	c.Unverified = max(c.Confirmed-checkedGood-checkedScrap, 0)
	return each(ctx, q, `SELECT s.key, sum(s.value) FROM visit v, json_each(v.scrap) s
		WHERE v.lot = ? AND `+inForce+" GROUP BY s.key", []any{c.LotID}, func(rows *sql.Rows) error {
		var reason string
		var n int
		err := rows.Scan(&reason, &n)
		c.ScrapByReason[reason] += n
		return err
	})
}
