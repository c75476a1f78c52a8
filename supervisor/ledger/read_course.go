package ledger

import (
	"context"
	"database/sql"
	"math"
)

// Course is the belt's movement while a lot was open, from its opening to its end or now.
type Course struct {
	FromMM float64 // belt travel when the lot was opened
	ToMM   float64 // belt travel at its end, or the newest
	// UncertainMM is the travel that became uncertain meanwhile, whether or not a realignment has made it meaningless since.
	UncertainMM float64
	// ByCycle is the travel of each cycle by its Seq, from its begin to the last of its steps that is recorded; a cycle of
	// which only the begin is recorded is absent.
	ByCycle map[int64]float64
	// Rescaled are the changes of the belt's scale in that time, on any port, oldest first.
	Rescaled []ScaleSet
}

// Course returns the belt's movement while a lot was open, all from one state of the ledger; the
// error wraps ErrNotFound if there is no such lot.
func (l *Ledger) Course(ctx context.Context, lotID int64) (c Course, err error) {
	err = l.view(ctx, "the course of a lot", func(q querier) error {
		from, to, err := spanOf(ctx, q, lotID)
		if err != nil {
			return err
		}
		if c, err = courseOf(ctx, q, from, to); err != nil {
			return err
		}
		c.ByCycle = map[int64]float64{}
		err = each(ctx, q, `SELECT c.cycle, e.travel_mm - b.travel_mm FROM cycle c JOIN belt b ON b.seq = c.begun_seq
			JOIN belt e ON e.seq = coalesce(c.discharged_seq, c.made_seq, c.interrupted_seq) WHERE c.lot = ?`, []any{lotID},
			func(rows *sql.Rows) error {
				var cycle int64
				var mm float64
				err := rows.Scan(&cycle, &mm)
				c.ByCycle[cycle] = mm
				return err
			})
		if err != nil {
			return err
		}
		return each(ctx, q, "SELECT s.port, s.axis, s.old_steps_per_mm, s.new_steps_per_mm, s.travel_mm, s.stored, s.by, "+
			stampColumns("e")+" FROM scale_set s JOIN entry e ON e.seq = s.seq WHERE s.seq BETWEEN ? AND ? ORDER BY s.seq", []any{from, to},
			func(rows *sql.Rows) error {
				var s ScaleSet
				var at stampRow
				err := rows.Scan(append([]any{&s.Port, &s.Axis, &s.OldStepsPerMM, &s.NewStepsPerMM, &s.TravelMM, &s.Stored, &s.By}, at.into()...)...)
				s.Stamp = at.stamp()
				c.Rescaled = append(c.Rescaled, s)
				return err
			})
	})
	return c, err
}

// spanOf returns the entries of the journal between which a lot was open.
func spanOf(ctx context.Context, q querier, lotID int64) (from, to int64, err error) {
	lots, err := lotsWhere(ctx, q, "l.lot = ?", lotID)
	if err == nil && len(lots) == 0 {
		err = noLot(lotID)
	}
	if err != nil {
		return 0, 0, err
	}
	from, to = lots[0].Opened.Seq, math.MaxInt64
	if s := lots[0].Status; s == LotClosed || s == LotEnded {
		to = lots[0].Changed.Seq
	}
	return from, to, nil
}

// courseOf sums up the positions of the belt. The newest before the lot is where it began; without one it is where the ledger
// began, at 0. While a part is made a row calls uncertain what a process that ends then would leave, and a later one takes that
// back: what lasts until the belt is realigned, or to the end, is what became uncertain.
func courseOf(ctx context.Context, q querier, from, to int64) (c Course, err error) {
	first, last, since := 0.0, 0.0, 0.0
	err = each(ctx, q, `SELECT seq, travel_mm, uncertain_mm, since_realign_mm FROM belt WHERE seq <= ?2
		AND seq >= coalesce((SELECT max(seq) FROM belt WHERE seq < ?1), ?1) ORDER BY seq`, []any{from, to}, func(rows *sql.Rows) error {
		var seq int64
		var travel, uncertain, sinceRealign float64
		if err := rows.Scan(&seq, &travel, &uncertain, &sinceRealign); err != nil {
			return err
		}
		switch {
		case seq < from:
			c.FromMM, first = travel, uncertain
		case sinceRealign < since:
			c.UncertainMM += max(0, last-first)
			first = 0
		}
		last, since, c.ToMM = uncertain, sinceRealign, travel
		return nil
	})
	c.UncertainMM += max(0, last-first)
	return c, err
}
