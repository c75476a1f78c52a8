package supervisor

import (
	"context"
	"testing"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// fullLedger refuses some commits in a row, as a full disk does until someone has made room.
type fullLedger struct {
	Ledger
	before, refuse int
}

func (f *fullLedger) Commit(ctx context.Context, r ...ledger.Record) error {
	if f.before--; f.before < 0 && f.refuse > 0 {
		f.refuse--
		return errDisk
	}
	return f.Ledger.Commit(ctx, r...)
}

// TestRoomOnDiskAgain refuses two commits in a row, at every place of a lot in turn: that of a step
// and that of the fault which follows. Afterwards the operator continues without a restart, and run
// and ledger must agree to the last part.
func TestRoomOnDiskAgain(t *testing.T) {
	t.Parallel()
	first, step := turns()
	for n := first; ; n += step {
		ended := false
		inBubble(t, func(t *testing.T) {
			x := newRun(t, testRig(), testSettings())
			l := &fullLedger{before: n, refuse: 2}
			cancel, done := x.startOn(func(real Ledger) Ledger { l.Ledger = real; return l })
			defer x.ledger.Close()
			defer func() { cancel(); <-done }()
			ctx, real := context.Background(), x.ledger
			time.Sleep(time.Minute)
			open := Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{2}, Start: true}}
			x.s.Do(ctx, open)
			var errs []error
			do := func(r Request) {
				if _, err := x.s.Do(ctx, r); err != nil {
					errs = append(errs, err)
				}
			}
			for range 24 * 60 {
				time.Sleep(time.Minute)
				s := x.s.Snapshot()
				switch {
				case s.State == Aborted:
					if s.Lot != nil {
						v := &Visit{BeltCleared: true}
						if s.Lot.Interrupted > 0 {
							v.Interrupted = "scrap"
						}
						do(Request{Visit: v})
					}
					do(Request{Command: Clear})
				case s.State == Stopped:
					do(Request{Command: Reset})
				case s.State == Idle && s.Lot == nil:
					do(open)
				case s.State == Idle && s.Lot.Wanted > 0:
					do(Request{Command: Start})
				case s.State == Complete, s.State == Idle:
					do(Request{Visit: &Visit{Good: s.Lot.Unverified}})
				}
				if s = x.s.Snapshot(); s.Lot != nil && s.Lot.Status == ledger.LotClosed {
					break
				}
			}
			time.Sleep(2 * backlogEvery) // pending records are retried without a request
			s := x.s.Snapshot()
			if s.Lot == nil || s.Lot.Status != ledger.LotClosed {
				t.Fatalf("commit %d refused: %s (%s), lot %+v; %.300v", n, s.State, s.Cause.Text, s.Lot, errs)
			}
			if c := x.counts(s.Lot.ID); c.Made != 2+c.InterruptedScrap || c.Good != 2 || s.Lot.Made != c.Made || s.Lot.Good != 2 {
				t.Errorf("commit %d refused: ledger has %d made and %d good, the run %d and %d", n, c.Made, c.Good, s.Lot.Made, s.Lot.Good)
			}
			if problems, err := real.Check(ctx); err != nil || len(problems) > 0 {
				t.Errorf("commit %d refused: ledger: %v %v", n, problems, err)
			}
			ended = l.refuse > 0
		})
		if ended || t.Failed() {
			t.Logf("%d commits refused in turn", n/step)
			return
		}
	}
}
