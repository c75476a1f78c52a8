package alert

import (
	"context"
	"math/rand/v2"
	"sync"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor/ledger"
)

// pollEvery is how often the outbox is looked at: the longest time that a new
// alert waits for its first attempt.
const pollEvery = 2 * time.Second

// atOnce bounds how many alerts are held in memory.
const atOnce = 500

// Retry says how long to wait after a failed attempt: First, doubled each time,
// up to Limit. Each wait is shortened by chance, by at most a half, so that
// several machines do not call together a receiver that has just come back.
type Retry struct {
	First time.Duration
	Limit time.Duration
}

// wait is the time after the nth failed attempt, n from 1.
func (r Retry) wait(n int) time.Duration {
	d := r.First
	for ; n > 1 && d < r.Limit; n-- {
		d *= 2
	}
	return jitter(min(d, r.Limit))
}

func jitter(d time.Duration) time.Duration { return d/2 + rand.N(d/2+1) }

// worker delivers the alerts of one receiver.
type worker struct {
	outbox Outbox
	to     Notifier
	words  *Writer
	policy Policy
	retry  Retry
	log    *zap.Logger
	now    func() time.Time

	// Owned by the goroutine of run.
	newest   int64           // highest position of an alert seen in the outbox
	retryAt  time.Time       // an alert failed: nothing is tried before, unless a new one comes
	sent     map[string]bool // delivered, but the ledger did not take the record
	hour     *hour           // nil until read from the ledger
	blind    bool            // the ledger did not answer when last asked
	troubled bool            // the newest attempt failed

	mu   sync.Mutex
	seen kept // for those who ask how the receiver stands
}

func newWorker(o Outbox, to Notifier, words *Writer, p Policy, retry Retry, log *zap.Logger) *worker {
	if retry.First <= 0 {
		retry.First = 5 * time.Second
	}
	retry.Limit = max(retry.Limit, retry.First)
	return &worker{outbox: o, to: to, words: words, policy: p, retry: retry, sent: map[string]bool{}, now: time.Now,
		log: log.With(zap.String("channel", to.Name()))}
}

// run delivers alerts until ctx ends. An attempt under way is then broken off; the
// alert stays in the outbox.
func (w *worker) run(ctx context.Context) {
	ticker := time.NewTicker(pollEvery)
	defer ticker.Stop()
	for {
		w.round(ctx)
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// round delivers what is due, the oldest first, and stops at the first message that
// the receiver does not get, so that the order is kept.
func (w *worker) round(ctx context.Context) {
	for ctx.Err() == nil {
		alerts, err := w.due(ctx)
		var todo sorted
		if err == nil {
			todo, err = w.sort(ctx, alerts)
		}
		if err != nil {
			if !w.blind && ctx.Err() == nil {
				w.log.Error("cannot read the outbox of alerts", zap.Error(err))
			}
			w.blind = true
			return
		}
		w.blind = false
		if !w.settle(ctx, todo.unneeded) || len(todo.send) == 0 {
			return
		}
		for _, group := range todo.send {
			if !w.deliver(ctx, group) {
				return
			}
		}
	}
}

// due returns what waits. While a failed alert waits, everything waits, but for a
// new alert: it is a reason to try again at once, from the oldest on.
func (w *worker) due(ctx context.Context) ([]ledger.Alert, error) {
	now := w.now()
	alerts, err := w.outbox.PendingAlerts(ctx, w.to.Name(), now, atOnce)
	fresh := false
	for _, a := range alerts {
		fresh = fresh || a.Stamp.Seq > w.newest
		w.newest = max(w.newest, a.Stamp.Seq)
	}
	if err == nil && now.Before(w.retryAt) {
		if !fresh {
			return nil, nil
		}
		alerts, err = w.outbox.PendingAlerts(ctx, w.to.Name(), w.retryAt, atOnce)
	}
	return alerts, err
}

// sort decides what of it is sent now.
func (w *worker) sort(ctx context.Context, alerts []ledger.Alert) (sorted, error) {
	if w.hour == nil {
		if err := w.recall(ctx); err != nil {
			return sorted{}, err
		}
	}
	var acted int64
	if w.policy.Level > 1 && len(alerts) > 0 {
		last, err := w.outbox.LastResponse(ctx)
		if err != nil {
			return sorted{}, err
		}
		acted = last.Stamp.Seq
	}
	now := w.now()
	waiting := len(alerts) > 0 || !now.Before(w.retryAt)
	todo := w.policy.sort(alerts, now, acted, func(a ledger.Alert) time.Duration { return w.outbox.Age(a.Stamp, now) }, w.hour)
	if waiting {
		w.mu.Lock()
		w.seen = todo.kept
		w.mu.Unlock()
	}
	return todo, nil
}

// recall reads what was sent in the last hour, so that a start sets no bound back.
func (w *worker) recall(ctx context.Context) error {
	h := new(hour)
	if w.policy.PerHour > 0 {
		last, err := w.outbox.Sent(ctx, w.to.Name(), 2*w.policy.PerHour)
		if err != nil {
			return err
		}
		now := w.now()
		for _, a := range last {
			h.add(UrgencyOf(a), now.Add(-w.outbox.Age(a.Stamp, now)))
		}
	}
	w.hour = h
	return nil
}

// settle takes out of the queue what is nothing for this receiver.
func (w *worker) settle(ctx context.Context, alerts []ledger.Alert) bool {
	var records []ledger.Record
	for _, a := range alerts {
		records = append(records, ledger.AlertDelivered{ID: a.ID, Receiver: w.to.Name(), How: ledger.HowUnneeded})
	}
	if err := w.record(ctx, records...); err != nil {
		w.log.Error("cannot record that an alert needs no further receiver", zap.Error(err))
		return false
	}
	return true
}

// standing returns what was kept back when the outbox was last looked at.
func (w *worker) standing() kept {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.seen
}
