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
	running := 0
	err := each(ctx, q, `SELECT j.job_index, j.name, j.good_ordered, count(c.cycle),
		count(c.cycle) FILTER (WHERE c.state = 'begun'),
		count(c.cycle) FILTER (WHERE c.state IN ('made', 'discharged')),
		count(c.cycle) FILTER (WHERE c.state = 'interrupted'),
		count(c.cycle) FILTER (WHERE c.state = 'decided' AND c.good = 1),
		count(c.cycle) FILTER (WHERE c.state = 'decided' AND c.good = 0)
		FROM lot_job j LEFT JOIN cycle c ON c.lot = j.lot AND c.job_index = j.job_index
		WHERE j.lot = ? GROUP BY j.job_index ORDER BY j.job_index`, []any{lotID}, func(rows *sql.Rows) error {
		var j JobCounts
		err := rows.Scan(&j.Index, &j.Name, &j.Ordered, &j.CyclesBegun, &running, &j.Confirmed, &j.Interrupted,
			&j.InterruptedGood, &j.InterruptedScrap)
		j.Made = j.Confirmed + j.InterruptedGood
		c.Running += running
		c.ByJob = append(c.ByJob, j)
		return err
	})
	if err != nil {
		return Counts{}, err
	}
	if len(c.ByJob) == 0 {
		return Counts{}, noLot(lotID) // every lot has a job
	}
	for _, j := range c.ByJob {
		c.Ordered += j.Ordered
		c.CyclesBegun += j.CyclesBegun
		c.Confirmed += j.Confirmed
		c.Made += j.Made
		c.Interrupted += j.Interrupted
		c.InterruptedGood += j.InterruptedGood
		c.InterruptedScrap += j.InterruptedScrap
	}
	return c, c.addChecks(ctx, q)
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
	c.Unverified = max(c.Confirmed-checkedGood-checkedScrap, 0)
	return each(ctx, q, `SELECT s.key, sum(s.value) FROM visit v, json_each(v.scrap) s
		WHERE v.lot = ? AND `+inForce+" GROUP BY s.key", []any{c.LotID}, func(rows *sql.Rows) error {
		var reason string
		var n int
		err := rows.Scan(&reason, &n)
		c.ScrapByReason[reason] = n
		return err
	})
}
