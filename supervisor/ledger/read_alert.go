package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"
)

// PendingAlerts returns up to limit alerts that the receiver has yet to deliver and may try now,
// oldest first. A new receiver is entered in the ledger: the first of all gets every alert, a later
// one those queued since this start. A limit of 0 means none.
func (l *Ledger) PendingAlerts(ctx context.Context, receiver string, now time.Time, limit int) (alerts []Alert, err error) {
	// Called every few seconds, mostly without result: the file is read only after something was recorded.
	at := l.changes.Load()
	if k, ok := l.settled.Load(receiver); ok && k == at && !l.opts.ReadOnly && !l.isClosed() {
		return nil, nil
	}
	if err := l.enterReceiver(ctx, receiver); err != nil {
		return nil, err
	}
	waits := true
	// An attempt of an earlier start does not determine when to retry: its clock is gone.
	err = l.view(ctx, "the pending alerts", func(q querier) error {
		err := each(ctx, q, `SELECT a.alert, a.kind, a.state, a.reason, a.text, coalesce(a.lot, 0), a.payload,
			coalesce(d.tries, 0), `+stampColumns("e")+` FROM channel c JOIN alert a ON a.seq > c.from_seq
			JOIN entry e ON e.seq = a.seq LEFT JOIN delivery d ON d.alert = a.alert AND d.channel = c.channel
			LEFT JOIN entry t ON t.seq = d.tried_seq
			WHERE c.channel = ? AND d.delivered_seq IS NULL AND (t.seq IS NULL OR t.boot <> ? OR d.next_mono_ms <= ?)
			ORDER BY a.seq LIMIT ?`, []any{receiver, l.boot, now.Sub(l.start).Milliseconds(), limited(limit)},
			func(rows *sql.Rows) error {
				var a Alert
				var at stampRow
				var payload sql.NullString
				err := rows.Scan(append([]any{&a.ID, &a.Kind, &a.State, &a.Reason, &a.Text, &a.LotID, &payload, &a.Tries},
					at.into()...)...)
				if payload.Valid {
					a.Payload = []byte(payload.String)
				}
				a.Stamp = at.stamp()
				alerts = append(alerts, a)
				return err
			})
		if err != nil || len(alerts) > 0 {
			return err
		}
		return q.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM channel c JOIN alert a ON a.seq > c.from_seq
			LEFT JOIN delivery d ON d.alert = a.alert AND d.channel = c.channel WHERE c.channel = ? AND d.delivered_seq IS NULL)`, receiver).Scan(&waits)
	})
	if err == nil && !waits {
		l.settled.Store(receiver, at)
	}
	return alerts, err
}

// enterReceiver writes only if the receiver is new, so that reading costs no sync.
func (l *Ledger) enterReceiver(ctx context.Context, receiver string) error {
	if receiver == "" {
		return fmt.Errorf("cannot read the pending alerts from ledger %s: the receiver has no name: %w", l.path, ErrInvalid)
	}
	known := false
	err := l.view(ctx, "the receivers of alerts", func(q querier) error {
		var one int
		err := q.QueryRowContext(ctx, "SELECT 1 FROM channel WHERE channel = ?", receiver).Scan(&one)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		known = err == nil
		return err
	})
	if err != nil || known || l.opts.ReadOnly {
		return err
	}
	if err := l.write(ctx, func(t *txn) error { return t.openReceiver(receiver) }); err != nil {
		return fmt.Errorf("cannot enter receiver %q of alerts in ledger %s: %w", receiver, l.path, err)
	}
	return nil
}

// AlertQueue returns the state of the outbox for every receiver that has read alerts, by name. Each
// scrape of the metrics and each open screen calls it, over years of alerts: the file is read only
// after something was recorded.
func (l *Ledger) AlertQueue(ctx context.Context) (receivers []Receiver, err error) {
	at := l.changes.Load()
	if k := l.queue.Load(); k != nil && k.at == at && !l.opts.ReadOnly && !l.isClosed() {
		return slices.Clone(k.receivers), nil
	}
	err = l.view(ctx, "the alert queue", func(q querier) error {
		return each(ctx, q, `SELECT s.channel, s.pending, s.failing, s.delivered + coalesce((SELECT n FROM trimmed_total WHERE what = 'delivery' AND name = s.channel), 0),
				coalesce((SELECT last_error FROM delivery WHERE channel = s.channel AND tried_seq = s.tried), ''), `+stampColumns("e")+`, `+stampColumns("l")+`
			FROM (SELECT c.channel, count(a.seq) - count(d.delivered_seq) AS pending,
					count(*) FILTER (WHERE d.tries > 0 AND d.delivered_seq IS NULL) AS failing,
					count(d.delivered_seq) FILTER (WHERE d.how <> 'unneeded') AS delivered,
					min(a.seq) FILTER (WHERE d.delivered_seq IS NULL) AS oldest,
					max(d.tried_seq) FILTER (WHERE d.delivered_seq IS NULL) AS tried,
					max(d.delivered_seq) FILTER (WHERE d.how = 'sent') AS sent
				FROM channel c LEFT JOIN alert a ON a.seq > c.from_seq
				LEFT JOIN delivery d ON d.alert = a.alert AND d.channel = c.channel GROUP BY c.channel) s
			LEFT JOIN entry e ON e.seq = s.oldest LEFT JOIN entry l ON l.seq = s.sent ORDER BY s.channel`, nil,
			func(rows *sql.Rows) error {
				var c Receiver
				var oldest, sent stampRow
				err := rows.Scan(append(append([]any{&c.Name, &c.Pending, &c.Failing, &c.Delivered, &c.LastError}, oldest.into()...), sent.into()...)...)
				c.Oldest, c.LastSent = oldest.stamp(), sent.stamp()
				receivers = append(receivers, c)
				return err
			})
	})
	if err == nil {
		l.queue.Store(&queued{slices.Clone(receivers), at})
	}
	return receivers, err
}

// queued is the outbox as read after this many changes.
type queued struct {
	receivers []Receiver
	at        int64
}
