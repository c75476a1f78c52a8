package alert

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor/ledger"
)

// deliver makes one attempt to send a message and records it. It reports whether
// the next one may be tried.
func (w *worker) deliver(ctx context.Context, group []ledger.Alert) bool {
	fresh := make([]ledger.Alert, 0, len(group))
	for _, a := range group {
		if !w.sent[a.ID] {
			fresh = append(fresh, a)
		}
	}
	if len(fresh) > 0 {
		m := w.words.Several(Call{w.to.Name(), w.now(), w.policy.patience()}, fresh...)
		if err := w.to.Notify(ctx, m); err != nil {
			if ctx.Err() != nil {
				return false // we broke it off ourselves
			}
			return w.failed(ctx, fresh[0], err)
		}
		w.hour.add(m.Urgency, w.now())
	}
	if w.troubled {
		w.troubled = false
		w.log.Info("the receiver accepts alerts again")
	}
	w.retryAt = time.Time{}
	var records []ledger.Record
	for i, a := range group {
		how := ledger.HowSent
		if i > 0 {
			how = ledger.HowCollected
		}
		records = append(records, ledger.AlertDelivered{ID: a.ID, Receiver: w.to.Name(), How: how})
	}
	// The receiver has it: that must be kept even while the daemon is ending.
	if err := w.record(ctx, records...); err != nil {
		w.log.Error("cannot record the delivery of an alert", zap.String("alert", group[0].ID), zap.Error(err))
		for _, a := range group {
			w.sent[a.ID] = true // not sent again by this process; only the record is tried again
		}
		w.retryAt = w.now().Add(w.retry.First)
		return false
	}
	for _, a := range group {
		delete(w.sent, a.ID)
	}
	return true
}

// failed records an attempt that failed, with the first alert of the message. A
// receiver that refuses it for good is asked again seldom, and the operator is called;
// the next message may go ahead.
func (w *worker) failed(ctx context.Context, a ledger.Alert, err error) bool {
	wait := w.retry.wait(a.Tries + 1)
	refused := false
	if r := refusal(nil); errors.As(err, &r) {
		refused = r.Refused()
	}
	if s := new(StatusError); errors.As(err, &s) {
		wait = max(wait, min(s.RetryAfter, w.retry.Limit))
	}
	if refused {
		wait = max(wait, jitter(w.retry.Limit))
	}
	next := w.now().Add(wait)
	records := []ledger.Record{ledger.AlertTried{ID: a.ID, Receiver: w.to.Name(), Err: err.Error(), NextTry: next}}
	if refused && a.Tries == 0 {
		records = append(records, ledger.EventNoted{Kind: "alert",
			Text: fmt.Sprintf("alert %s did not reach %s: %v", a.ID, w.to.Name(), err)})
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

func (w *worker) record(ctx context.Context, r ...ledger.Record) error {
	if len(r) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), recordBound)
	defer cancel()
	return w.outbox.Commit(ctx, r...)
}
