package alert

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor/ledger"
)

// pollEvery is how often the outbox is looked at: the longest time that a new
// alert waits for its first attempt.
const pollEvery = 2 * time.Second

// atOnce bounds how many alerts are held in memory.
const atOnce = 200

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

// Worker brings the alerts of one channel to their receiver.
type Worker struct {
	outbox Outbox
	to     Notifier
	retry  Retry
	log    *zap.Logger

	// Owned by the goroutine of Run.
	newest   int64           // highest position of an alert seen in the outbox
	retryAt  time.Time       // an alert failed: nothing is tried before, unless a new one comes
	sent     map[string]bool // delivered, but the ledger did not take the record
	blind    bool            // the ledger did not answer when last asked
	troubled bool            // the newest attempt failed
}

// NewWorker returns a worker; [Worker.Run] does the work.
func NewWorker(outbox Outbox, to Notifier, retry Retry, log *zap.Logger) *Worker {
	if retry.First <= 0 {
		retry.First = 5 * time.Second
	}
	retry.Limit = max(retry.Limit, retry.First)
	return &Worker{outbox: outbox, to: to, retry: retry, sent: map[string]bool{},
		log: log.With(zap.String("channel", to.Channel()))}
}

// Run delivers alerts until ctx ends. An attempt under way is then broken off; the
// alert stays in the outbox.
func (w *Worker) Run(ctx context.Context) {
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

// round delivers what is due, the oldest first, and stops at the first alert that
// the receiver does not get, so that the order is kept.
func (w *Worker) round(ctx context.Context) {
	for ctx.Err() == nil {
		alerts, ok := w.due(ctx)
		if !ok || len(alerts) == 0 {
			return
		}
		for _, a := range alerts {
			if !w.deliver(ctx, a) {
				return
			}
		}
	}
}

// due returns what to try now. While a failed alert waits, everything waits, but
// for a new alert: it is a reason to try again at once, from the oldest on.
func (w *Worker) due(ctx context.Context) ([]ledger.Alert, bool) {
	now := time.Now()
	alerts, err := w.outbox.PendingAlerts(ctx, w.to.Channel(), now, atOnce)
	fresh := false
	for _, a := range alerts {
		fresh = fresh || a.Stamp.Seq > w.newest
		w.newest = max(w.newest, a.Stamp.Seq)
	}
	if err == nil && now.Before(w.retryAt) {
		if !fresh {
			return nil, true
		}
		alerts, err = w.outbox.PendingAlerts(ctx, w.to.Channel(), w.retryAt, atOnce)
	}
	if err != nil {
		if !w.blind && ctx.Err() == nil {
			w.log.Error("cannot read the outbox of alerts", zap.Error(err))
		}
		w.blind = true
		return nil, false
	}
	w.blind = false
	return alerts, true
}

// deliver makes one attempt and records it. It reports whether the next alert may
// be tried.
func (w *Worker) deliver(ctx context.Context, a ledger.Alert) bool {
	if !w.sent[a.ID] {
		if err := w.to.Notify(ctx, a); err != nil {
			if ctx.Err() != nil {
				return false // we broke it off ourselves
			}
			return w.failed(ctx, a, err)
		}
	}
	if w.troubled {
		w.troubled = false
		w.log.Info("the receiver takes alerts again")
	}
	w.retryAt = time.Time{}
	// The receiver has it: that must be kept even while the daemon is ending.
	if err := w.record(ctx, ledger.AlertDelivered{ID: a.ID, Channel: w.to.Channel()}); err != nil {
		w.log.Error("cannot record the delivery of an alert", zap.String("alert", a.ID), zap.Error(err))
		w.sent[a.ID] = true // not sent again by this process; only the record is tried again
		w.retryAt = time.Now().Add(w.retry.First)
		return false
	}
	delete(w.sent, a.ID)
	return true
}

// failed records an attempt that failed. A receiver that refuses an alert for good
// is asked again seldom, and the operator is told; the next alert may go ahead.
func (w *Worker) failed(ctx context.Context, a ledger.Alert, err error) bool {
	wait := w.retry.wait(a.Tries + 1)
	refused := false
	if s := new(StatusError); errors.As(err, &s) {
		refused = s.Refused()
		wait = max(wait, min(s.RetryAfter, w.retry.Limit))
	}
	if refused {
		wait = max(wait, jitter(w.retry.Limit))
	}
	next := time.Now().Add(wait)
	records := []ledger.Record{ledger.AlertTried{ID: a.ID, Channel: w.to.Channel(), Err: err.Error(), NextTry: next}}
	if refused && a.Tries == 0 {
		records = append(records, ledger.EventNoted{Kind: "alert",
			Text: fmt.Sprintf("alert %s did not reach %s: %v", a.ID, w.to.Channel(), err)})
	}
	if !w.troubled {
		w.log.Warn("an alert was not delivered", zap.String("alert", a.ID), zap.Error(err), zap.Duration("next_try_in", wait))
	}
	w.troubled = true
	kept := w.record(ctx, records...)
	if kept != nil {
		w.log.Error("cannot record an attempt to deliver an alert", zap.String("alert", a.ID), zap.Error(kept))
	}
	// Without a record the alert looks untried, and only our own wait holds it back.
	if refused && kept == nil {
		return true
	}
	w.retryAt = next
	return false
}

// recordBound is how long a record may wait for its turn.
const recordBound = 5 * time.Second

func (w *Worker) record(ctx context.Context, r ...ledger.Record) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), recordBound)
	defer cancel()
	return w.outbox.Commit(ctx, r...)
}
