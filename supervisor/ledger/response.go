package ledger

import (
	"context"
	"database/sql"
	"errors"
	"time"
)

// Responded records that a person has acted: given a command, recorded a check, or acknowledged an
// alert. Earlier alerts need not be escalated to others. Stamp is set by reading and ignored by
// writing.
type Responded struct {
	What string
	By   string

	Stamp Stamp
}

func (Responded) kind() string { return "responded" }

func (r Responded) faults() []string {
	var f faultList
	f.text("What", r.What)
	return f
}

func (r Responded) apply(t *txn) error {
	return t.exec("INSERT INTO response (seq, what, by) VALUES (?, ?, ?)", t.seq, r.What, r.By)
}

// LastResponse returns when somebody last acted; Stamp.Seq is 0 if nobody has.
func (l *Ledger) LastResponse(ctx context.Context) (r Responded, err error) {
	err = l.view(ctx, "the responses", func(q querier) error {
		var at stampRow
		err := q.QueryRowContext(ctx, `SELECT what, by, `+stampColumns("e")+` FROM response r JOIN entry e ON e.seq = r.seq
			ORDER BY r.seq DESC LIMIT 1`).Scan(append([]any{&r.What, &r.By}, at.into()...)...)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		r.Stamp = at.stamp()
		return err
	})
	return r, err
}

// Alert returns an alert by its identity; nil for one that the ledger does not hold.
func (l *Ledger) Alert(ctx context.Context, id string) (found *Alert, err error) {
	err = l.view(ctx, "an alert", func(q querier) error {
		a := Alert{ID: id}
		var at stampRow
		var payload sql.NullString
		err := q.QueryRowContext(ctx, `SELECT a.kind, a.state, a.reason, a.text, coalesce(a.lot, 0), a.payload, `+stampColumns("e")+` FROM alert a
			JOIN entry e ON e.seq = a.seq WHERE a.alert = ?`, id).
			Scan(append([]any{&a.Kind, &a.State, &a.Reason, &a.Text, &a.LotID, &payload}, at.into()...)...)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if payload.Valid {
			a.Payload = []byte(payload.String)
		}
		a.Stamp = at.stamp()
		found = &a
		return err
	})
	return found, err
}

// Sent returns up to limit alerts that were sent on a receiver each in a message of its own or as the first of several,
// the newest first, with the time of the sending as their stamp.
func (l *Ledger) Sent(ctx context.Context, receiver string, limit int) (alerts []Alert, err error) {
	err = l.view(ctx, "the alerts sent", func(q querier) error {
		return each(ctx, q, `SELECT a.alert, a.kind, a.state, a.reason, `+stampColumns("e")+` FROM delivery d
			JOIN alert a ON a.alert = d.alert JOIN entry e ON e.seq = d.delivered_seq
			WHERE d.channel = ? AND d.how = 'sent' ORDER BY d.delivered_seq DESC LIMIT ?`, []any{receiver, limited(limit)},
			func(rows *sql.Rows) error {
				var a Alert
				var at stampRow
				err := rows.Scan(append([]any{&a.ID, &a.Kind, &a.State, &a.Reason}, at.into()...)...)
				a.Stamp = at.stamp()
				alerts = append(alerts, a)
				return err
			})
	})
	return alerts, err
}

// Age is how long ago a row was written, as far as known: across starts there is only the wall
// clock. The lower bound is the time since this start, plus what the earlier start went on after
// the row.
func (l *Ledger) Age(s Stamp, now time.Time) time.Duration {
	since := now.Sub(l.start)
	if s.Boot == l.boot {
		return max(0, since-s.SinceStart)
	}
	least := since + l.before.SinceStart
	if s.Boot == l.before.Boot {
		least -= s.SinceStart
	}
	return max(least, now.Round(0).Sub(s.At))
}

// Before returns the newest row that an earlier start wrote, with Seq 0 when there is none or the ledger is read only.
func (l *Ledger) Before() Stamp { return l.before }
