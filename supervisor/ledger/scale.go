package ledger

import (
	"context"
	"database/sql"
)

// ScaleSet keeps that the belt axis of the board at a port was set to other steps/mm, which
// the board has confirmed. Storing it in the board is a second record with Stored. The
// newest of a port counts. Stamp is filled by reading and ignored by writing.
type ScaleSet struct {
	Port          string
	Axis          string
	OldStepsPerMM float64
	NewStepsPerMM float64
	TravelMM      float64 // commanded belt travel when it was set
	Stored        bool    // the board was commanded to keep it over a restart
	By            string

	Stamp Stamp
}

func (ScaleSet) kind() string { return "scale_set" }

func (r ScaleSet) faults() []string {
	var f faultList
	f.text("Port", r.Port)
	f.text("Axis", r.Axis)
	for name, v := range map[string]float64{"OldStepsPerMM": r.OldStepsPerMM, "NewStepsPerMM": r.NewStepsPerMM} {
		f.finite(name, v)
		f.add(v <= 0, "%s is %v: it must be above 0", name, v)
	}
	f.notNegative("TravelMM", r.TravelMM)
	return f
}

func (r ScaleSet) apply(t *txn) error {
	return t.exec(`INSERT INTO scale_set (seq, port, axis, old_steps_per_mm, new_steps_per_mm, travel_mm, stored, by)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?)`, t.seq, r.Port, r.Axis, r.OldStepsPerMM, r.NewStepsPerMM, r.TravelMM, r.Stored, r.By)
}

// Scales returns how the belt's scale was set on the board at a port, the oldest first.
func (l *Ledger) Scales(ctx context.Context, port string) (sets []ScaleSet, err error) {
	err = l.view(ctx, "the belt's scale", func(q querier) error {
		return each(ctx, q, "SELECT s.axis, s.old_steps_per_mm, s.new_steps_per_mm, s.travel_mm, s.stored, s.by, "+
			stampColumns("e")+" FROM scale_set s JOIN entry e ON e.seq = s.seq WHERE s.port = ? ORDER BY s.seq", []any{port}, func(rows *sql.Rows) error {
			s, at := ScaleSet{Port: port}, stampRow{}
			err := rows.Scan(append([]any{&s.Axis, &s.OldStepsPerMM, &s.NewStepsPerMM, &s.TravelMM, &s.Stored, &s.By}, at.into()...)...)
			s.Stamp = at.stamp()
			sets = append(sets, s)
			return err
		})
	})
	return sets, err
}
