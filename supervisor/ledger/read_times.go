package ledger

import (
	"context"
	"database/sql"
	"math"
)

// Times is what the time of a lot is reckoned from: the states of the machine from the one in which the lot was opened to
// the lot's end, or to now. Durations are between stamps of one Boot; Last has for each Boot the newest stamp within.
type Times struct {
	States []State
	Last   map[int64]Stamp
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
