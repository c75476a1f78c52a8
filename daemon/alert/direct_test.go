package alert

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor"
)

// A ledger that takes no records cannot hold the alert about it: it is sent all
// the same, once for each failure.
func TestFailedLedgerIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var shot atomic.Pointer[supervisor.Snapshot]
		show := func(state supervisor.State, code string) {
			shot.Store(&supervisor.Snapshot{Machine: "clip press", State: state, Since: time.Now(), Cause: supervisor.Cause{Code: code, Text: "no room left"}})
		}
		show(supervisor.Execute, "")
		f := new(receiver)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			NewDirect(shot.Load, hook(t, f), &Writer{}, 0, "x1", testRetry, zap.NewNop()).Run(ctx)
		}()
		wait := func(d time.Duration, want int, why string) {
			t.Helper()
			time.Sleep(d)
			synctest.Wait()
			if got := len(f.taken()); got != want {
				t.Fatalf("%s: sent %d times, want %d", why, got, want)
			}
		}
		wait(time.Minute, 0, "while all is well")
		show(supervisor.Aborted, supervisor.CauseHeat)
		wait(time.Minute, 0, "a fault that the outbox holds")
		show(supervisor.Clearing, supervisor.CauseOperator)
		wait(time.Minute, 0, "cleared")
		f.set(down)
		show(supervisor.Aborting, supervisor.CauseLedger)
		wait(time.Minute, 0, "while the receiver is down")
		show(supervisor.Aborted, supervisor.CauseLedger) // the same fault, one state on
		f.set(nil)
		wait(testRetry.Limit+pollEvery, 1, "the receiver is back")
		wait(time.Hour, 1, "sent already")
		show(supervisor.Idle, supervisor.CauseOperator)
		wait(time.Minute, 1, "mended")
		show(supervisor.Aborted, supervisor.CauseLedger)
		wait(pollEvery, 2, "failed again")
		if ids := f.taken(); ids[0] == ids[1] {
			t.Errorf("two failures share the identity %s", ids[0])
		}
		cancel()
		<-done
	})
}
