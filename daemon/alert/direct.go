package alert

import (
	"context"
	"fmt"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// Direct calls one receiver when the ledger fails. The outbox is in the ledger, so
// that this is the one alert that cannot go through it; it lives in memory, and is
// lost if the process ends before the receiver takes it.
type Direct struct {
	snapshot func() *supervisor.Snapshot
	to       Notifier
	words    *Writer
	patience time.Duration // how long it must have lasted: nobody has acted, as far as can be known
	prefix   string
	retry    Retry
	log      *zap.Logger
	now      func() time.Time

	// Owned by the goroutine of Run.
	fault time.Time // when the fault began that is being reported; zero: none
	sent  bool
	tries int
	next  time.Time // no attempt before
}

// NewDirect returns a watch on the run; [Direct.Run] does the work. The prefix
// makes the identities of alerts differ from those of other starts.
func NewDirect(snapshot func() *supervisor.Snapshot, to Notifier, words *Writer, patience time.Duration, prefix string, retry Retry, log *zap.Logger) *Direct {
	return &Direct{snapshot: snapshot, to: to, words: words, patience: patience, prefix: prefix, retry: retry, now: time.Now, log: log.With(zap.String("channel", to.Name()))}
}

// Run watches until ctx ends.
func (d *Direct) Run(ctx context.Context) {
	ticker := time.NewTicker(pollEvery)
	defer ticker.Stop()
	for {
		d.look(ctx)
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// look makes an attempt if one is due.
func (d *Direct) look(ctx context.Context) {
	s := d.snapshot()
	failed := s.Cause.Code == supervisor.CauseLedger && (s.State == supervisor.Aborting || s.State == supervisor.Aborted)
	if !failed {
		d.fault = time.Time{}
		return
	}
	if d.fault.IsZero() {
		d.fault, d.sent, d.tries, d.next = s.Since, false, 0, time.Time{}
	}
	if d.sent || d.now().Before(d.next) || d.now().Sub(d.fault) < d.patience {
		return
	}
	err := d.to.Notify(ctx, d.words.Several(Call{d.to.Name(), d.now(), d.patience}, ledger.Alert{ID: fmt.Sprintf("%s-ledger-%d", d.prefix, d.fault.UnixMilli()),
		Kind: s.Cause.Code, State: s.State.String(), Reason: s.Cause.Code, Text: s.Cause.Text, Stamp: ledger.Stamp{At: d.fault}}))
	if err == nil {
		d.sent = true
		return
	}
	if ctx.Err() != nil {
		return
	}
	d.tries++
	d.next = d.now().Add(d.retry.wait(d.tries))
	d.log.Warn("cannot reach any receiver about the failed ledger", zap.Error(err))
}
