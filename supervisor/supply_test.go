package supervisor

import (
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/pace"
)

// suspended runs a lot of pegs until the machine waits, and returns why and after how many.
func suspended(t *testing.T, x *run, good int, first *Visit) *Snapshot {
	t.Helper()
	x.start()
	x.until(Idle, time.Minute)
	x.do(Request{Visit: first})
	x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(pegJob)}, Good: []int{good}, Start: true}})
	return x.until(Suspended, 200*time.Hour)
}

// TestSpoolRunsOut: three parts' worth of filament, tare subtracted. The machine suspends before the
// part that the spool cannot finish, over a restart too, and continues once a full one is weighed.
// With a reason it makes one more part.
func TestSpoolRunsOut(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.SpoolTareG, set.PrimeMM = 200, 0
		x := newRun(t, testRig(), set)
		p := x.plan(pegJob)
		grams := 200 + 3.6*p.FilamentG
		s := suspended(t, x, 9, &Visit{SpoolG: &grams})
		if s.Cause.Code != CauseFilament || s.Lot.Made != 3 {
			t.Fatalf("suspended for %+v with %d made", s.Cause, s.Lot.Made)
		}
		if err := x.refuse(Request{Command: Unsuspend}); !strings.Contains(err.Error(), "--spool-g") {
			t.Errorf("refusal %q does not say what to do", err)
		}
		x.do(Request{Command: Unsuspend, Override: "there is more on it"})
		x.until(Execute, time.Hour)
		if s = x.until(Suspended, time.Hour); s.Lot.Made != 4 {
			t.Errorf("with a reason %d were made, want one more than 3", s.Lot.Made)
		}
		x.stop()
		x.start()
		x.until(Idle, time.Hour)
		if err := x.refuse(Request{Command: Start}); !strings.Contains(err.Error(), "spool") {
			t.Errorf("after a restart: %q", err)
		}
		full := 1200.0
		x.do(Request{Visit: &Visit{SpoolG: &full, BeltCleared: true}})
		x.do(Request{Command: Start})
		if s = x.until(Complete, 100*time.Hour); s.Lot.Made != 9 {
			t.Errorf("%d made in the end", s.Lot.Made)
		}
		x.stop()
	})
}

func TestBinIsFull(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.BinParts = 4
		x := newRun(t, testRig(), set)
		s := suspended(t, x, 9, &Visit{BinEmptied: true})
		if s.Cause.Code != CauseBin || s.Lot.Made != 4 {
			t.Fatalf("suspended for %+v with %d made", s.Cause, s.Lot.Made)
		}
		x.do(Request{Visit: &Visit{BinEmptied: true}})
		x.do(Request{Command: Unsuspend})
		x.until(Execute, time.Hour)
		if s = x.until(Suspended, 10*time.Hour); s.Lot.Made != 8 || s.Cause.Code != CauseBin {
			t.Errorf("again for %+v with %d made", s.Cause, s.Lot.Made)
		}
		x.stop()
	})
}

// The zone is set before any goroutine reads it: attended hours are local time, a bubble's clock is UTC.
func init() { time.Local = time.UTC }

// TestAttendedHours: no part begins that would end outside them. The bubble's clock begins
// at midnight UTC.
func TestAttendedHours(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.Attended = pace.Hours{FromMin: 23 * 60, ToMin: 45}
		x := newRun(t, testRig(), set)
		s := suspended(t, x, 200, &Visit{Note: "new lot"})
		if s.Cause.Code != CauseUnattended || s.Lot.Made == 0 {
			t.Fatalf("suspended for %+v with %d made", s.Cause, s.Lot.Made)
		}
		if over := s.At.Sub(time.Date(2000, 1, 1, 0, 45, 0, 0, time.UTC)); over > 0 {
			t.Errorf("it was at work until %v after the hours", over)
		}
		x.stop()
	})
}
