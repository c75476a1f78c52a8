package ledger

import (
	"context"
	"database/sql"
)

// PartLaid records where a part lies on the belt: the net advances, on the ledger's scale, at which
// its two ends lay under the nozzle.
type PartLaid struct {
	Seq          int64 // of the cycle
	FromMM, ToMM float64
}

func (PartLaid) kind() string { return "part_laid" }

func (r PartLaid) faults() []string {
	var f faultList
	f.id("Seq", r.Seq)
	f.finite("FromMM", r.FromMM)
	f.finite("ToMM", r.ToMM)
	f.add(r.ToMM < r.FromMM, "ToMM is %g, less than FromMM %g", r.ToMM, r.FromMM)
	return f
}

func (r PartLaid) apply(t *txn) error {
	if err := t.require("cycle", "SELECT 1 FROM cycle WHERE cycle = ?", r.Seq); err != nil {
		return err
	}
	return t.exec("INSERT INTO laid (seq, cycle, from_mm, to_mm) VALUES (?, ?, ?, ?)", t.seq, r.Seq, r.FromMM, r.ToMM)
}

// SizeOrdered records the length that the parts of a lot's job should have along the belt, and its
// tolerance to either side.
type SizeOrdered struct {
	LotID                 int64
	JobIndex              int
	LengthMM, ToleranceMM float64
}

func (SizeOrdered) kind() string { return "size_ordered" }

func (r SizeOrdered) faults() []string {
	var f faultList
	f.id("LotID", r.LotID)
	f.count("JobIndex", r.JobIndex)
	f.add(!(r.LengthMM > 0) || r.LengthMM > 1e6, "LengthMM is %g", r.LengthMM)
	f.add(!(r.ToleranceMM > 0) || r.ToleranceMM > 1e6, "ToleranceMM is %g", r.ToleranceMM)
	return f
}

func (r SizeOrdered) apply(t *txn) error {
	if err := t.requireJob(r.LotID, r.JobIndex); err != nil {
		return err
	}
	return t.exec("INSERT INTO lot_size (seq, lot, job_index, length_mm, tolerance_mm) VALUES (?, ?, ?, ?, ?)",
		t.seq, r.LotID, r.JobIndex, r.LengthMM, r.ToleranceMM)
}

// Sizes returns the ordered lengths of a lot, by job; a job without one is absent.
func (l *Ledger) Sizes(ctx context.Context, lotID int64) (sizes map[int]SizeOrdered, err error) {
	sizes = map[int]SizeOrdered{}
	err = l.view(ctx, "the ordered sizes", func(q querier) error {
		return each(ctx, q, "SELECT lot, job_index, length_mm, tolerance_mm FROM lot_size WHERE lot = ?", []any{lotID}, func(rows *sql.Rows) error {
			var s SizeOrdered
			err := rows.Scan(&s.LotID, &s.JobIndex, &s.LengthMM, &s.ToleranceMM)
			sizes[s.JobIndex] = s
			return err
		})
	})
	return sizes, err
}
