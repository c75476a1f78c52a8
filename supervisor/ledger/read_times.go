package ledger

import (
	"context"
	"database/sql"
	"math"
	"time"
)

// Times is the input for the times of a lot: the states of the machine from the one in which the
// lot was opened to the lot's end, or to now. Durations are between stamps of one Boot; Last has
// the newest stamp of each Boot.
type Times struct {
	States []State
	Last   map[int64]Stamp
}

// longestGap is the longest time without a daemon between two starts. Beyond it the clock was
// wrong: a small board without one begins decades ago.
const longestGap = 366 * 24 * time.Hour

// Gap is the time, by the wall clock, from a row of one start to a row of a later one. It is false
// if that is impossible: then the clock was set in between. The clock of a start is read as it was
// at its end, since it is set right after the network is up.
func (t Times) Gap(from, to Stamp) (time.Duration, bool) {
	gap := t.corrected(to).Sub(t.corrected(from))
	return max(0, gap), gap >= 0 && gap <= longestGap
}

// corrected is the wall time of a row by the clock as it was when its start wrote last.
func (t Times) corrected(s Stamp) time.Time {
	last, ok := t.Last[s.Boot]
	if !ok || last.Seq < s.Seq {
		return s.At
	}
	return last.At.Add(s.SinceStart - last.SinceStart)
}

// Length is the time from one row to another, which may be of a later start or not written yet (Seq
// 0; then to is now). It is exact within a start. Otherwise it rests on the wall clock or, if that
// was set, on the least that is certain.
func (t Times) Length(from, to Stamp, now time.Time) (length time.Duration, exact bool) {
	if to.Seq > 0 && to.Boot == from.Boot {
		return max(0, to.SinceStart-from.SinceStart), true
	}
	least := max(0, t.Last[from.Boot].SinceStart-from.SinceStart)
	end := now.Round(0)
	if to.Seq > 0 {
		least, end = least+to.SinceStart, t.corrected(to)
	}
	if byWall := end.Sub(t.corrected(from)); byWall >= least && byWall-least <= longestGap {
		return byWall, false
	}
	return least, false
}

// Times returns the times of a lot; the error wraps ErrNotFound when there is none of that number.
func (l *Ledger) Times(ctx context.Context, lotID int64) (t Times, err error) {
	err = l.view(ctx, "the times of a lot", func(q querier) error {
		lots, err := lotsWhere(ctx, q, "l.lot = ?", lotID)
		if err == nil && len(lots) == 0 {
			err = noLot(lotID)
		}
		if err != nil {
			return err
		}
		from, to := lots[0].Opened.Seq, int64(math.MaxInt64)
		if s := lots[0].Status; s == LotClosed || s == LotEnded {
			to = lots[0].Changed.Seq
		}
		t.Last = map[int64]Stamp{}
		err = each(ctx, q, "SELECT "+stampColumns("e")+` FROM entry e WHERE e.seq IN (SELECT max(seq) FROM entry
			WHERE seq BETWEEN ? AND ? GROUP BY boot)`, []any{from, to}, func(rows *sql.Rows) error {
			var at stampRow
			err := rows.Scan(at.into()...)
			s := at.stamp()
			t.Last[s.Boot] = s
			return err
		})
		if err != nil {
			return err
		}
		return each(ctx, q, "SELECT "+stampColumns("e")+`, s.state, s.reason FROM state s JOIN entry e ON e.seq = s.seq WHERE s.seq <= ?2
			AND s.seq >= coalesce((SELECT max(seq) FROM state WHERE seq <= ?1), 0) ORDER BY s.seq`, []any{from, to}, func(rows *sql.Rows) error {
			var at stampRow
			var s State
			err := rows.Scan(append(at.into(), &s.State, &s.Reason)...)
			s.Stamp = at.stamp()
			t.States = append(t.States, s)
			return err
		})
	})
	return t, err
}
