package supervisor

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// brokenLedger refuses the n-th commit and all after it.
type brokenLedger struct {
	Ledger
	mu   sync.Mutex
	left int
}

var errDisk = errors.New("no room left")

func (b *brokenLedger) Commit(ctx context.Context, r ...ledger.Record) error {
	b.mu.Lock()
	b.left--
	broken := b.left < 0
	b.mu.Unlock()
	if broken {
		return errDisk
	}
	return b.Ledger.Commit(ctx, r...)
}

// TestNothingRunsOnRecordsThatWereNotKept breaks the ledger at every commit of a lot in turn, then
// restores it. The board must never have executed more parts than the ledger has recorded as begun,
// the heaters must be off, and the board must be reached again.
func TestNothingRunsOnRecordsThatWereNotKept(t *testing.T) {
	t.Parallel()
	first, step := turns()
	for n := first; ; n += step {
		ended := false
		inBubble(t, func(t *testing.T) {
			x := newRun(t, testRig(), testSettings())
			l := &brokenLedger{left: n}
			cancel, done := x.startOn(func(real Ledger) Ledger { l.Ledger = real; return l })
			defer x.ledger.Close()
			defer func() { cancel(); <-done }()
			ctx, real := context.Background(), x.ledger
			time.Sleep(time.Minute)
			plan := x.plan(clipJob)
			x.s.Do(ctx, Request{Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{1}, Start: true}})
			time.Sleep(time.Hour)
			begun := 0
			if lot, err := real.OpenLot(ctx); err == nil && lot != nil {
				c, _ := real.Counts(ctx, lot.ID)
				begun = c.CyclesBegun
			}
			if made := len(x.rig.Parts()); made > begun {
				t.Errorf("commit %d refused: %d parts on the machine, %d begun in the ledger", n, made, begun)
			}
			if _, nt, _, bt := x.rig.Temperatures(); nt != 0 || bt != 0 {
				t.Errorf("commit %d refused: targets left at %.0f and %.0f °C", n, nt, bt)
			}
			l.mu.Lock()
			ended = l.left >= 0
			l.left = 1 << 30 // there is room again
			l.mu.Unlock()
			if err := x.s.Ping(ctx); err != nil {
				t.Errorf("commit %d refused: %v", n, err)
			}
			if x.s.Snapshot().State != Aborted {
				return
			}
			if _, err := x.s.Do(ctx, Request{Command: Clear, By: "the operator"}); err != nil {
				t.Errorf("commit %d refused: with room again: %v", n, err)
			}
			time.Sleep(10 * time.Minute)
			if s := x.s.Snapshot(); s.State != Stopped || s.Line.Problem != "" {
				t.Errorf("commit %d refused: with room again and cleared it is %s: %s", n, s.State, s.Line.Problem)
			}
		})
		if ended {
			t.Logf("%d commits broken in turn", n/step)
			return
		}
	}
}

// TestFaultsEndSafely injects each fault in the middle of a part: the run ends Aborted, the part is
// interrupted and not counted, the heaters are off, and after the operator's decision the lot runs to
// its end.
func TestFaultsEndSafely(t *testing.T) {
	t.Parallel()
	for _, name := range few(1, []string{"reset@line=120", "unplug@line=120,for=30s", "heater-fault@line=120", "silence@line=120,for=10m"}) {
		t.Run(strings.SplitN(name, "@", 2)[0], func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				fault, err := rig.ParseFault(name)
				if err != nil {
					t.Fatal(err)
				}
				rs := testRig()
				rs.Faults = []rig.Fault{fault}
				x := newRun(t, rs, testSettings())
				x.start()
				x.until(Idle, time.Minute)
				res := x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{2}, Start: true}})
				s := x.until(Aborted, 3*time.Hour)
				t.Logf("%s: %s", s.Cause.Code, s.Cause.Text)
				if s.Lot.Made != 0 || s.Lot.Interrupted != 1 {
					t.Errorf("made %d, interrupted %d; want 0 and 1", s.Lot.Made, s.Lot.Interrupted)
				}
				time.Sleep(15 * time.Minute) // a cable is back by then
				if _, nt, _, bt := x.rig.Temperatures(); nt != 0 || bt != 0 {
					t.Errorf("targets left at %.0f and %.0f °C", nt, bt)
				}
				x.do(Request{Command: Clear})
				x.until(Stopped, 5*time.Minute)
				x.do(Request{Command: Reset})
				x.until(Idle, 5*time.Minute)
				if err := x.refuse(Request{Command: Start}); !strings.Contains(err.Error(), "belt-cleared") {
					t.Errorf("refusal %q does not ask to clear the belt", err)
				}
				x.do(Request{Visit: &Visit{BeltCleared: true, Interrupted: "scrap"}})
				x.do(Request{Command: Start})
				x.until(Complete, 24*time.Hour)
				if c := x.counts(res.LotID); c.Confirmed != 2 || c.InterruptedScrap != 1 {
					t.Errorf("ledger has %d made and %d interrupted scrap, want 2 and 1", c.Confirmed, c.InterruptedScrap)
				}
				x.stop()
			})
		})
	}
}

// TestNoColdFilament: a stop or abort while the nozzle warms up must not retract cold filament.
func TestNoColdFilament(t *testing.T) {
	path := filepath.Join(t.TempDir(), "peg.gcode") // its lead-in does not wait for the heat
	text := "G21\nG90\nM82\nM104 S205\nG28\nG92 E0\nG1 X20 Y3 Z0.2 F6000\nG1 X40 Y9 E1 F1200\nG1 X20 Y3 E2\nM104 S0\nM84\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	first, step := turns()
	every := time.Duration(step) * 7 * time.Second
	for _, c := range []Command{Stop, Abort, Hold} {
		for after := time.Duration(first-1) * 7 * time.Second; after < 3*time.Minute; after += every {
			inBubble(t, func(t *testing.T) {
				rs := testRig()
				rs.Board = rig.Variations()["lasting"]
				x := newRun(t, rs, testSettings())
				x.start()
				x.until(Idle, time.Minute)
				x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(path)}, Good: []int{1}, Start: true}})
				time.Sleep(after)
				x.s.Do(context.Background(), Request{Command: c})
				time.Sleep(10 * time.Minute)
				if n := x.rig.Figures().ColdExtrusions; n != 0 {
					c, target, _, _ := x.rig.Temperatures()
					t.Errorf("after %s: cold filament was to be pushed %d times; nozzle %.0f of %.0f °C", after, n, c, target)
				}
				x.rig.Reset() // the abort has halted it
				time.Sleep(time.Minute)
			})
		}
	}
}

// TestAnswersWhatTheLedgerDoesNotTake: whoever waits for the board's answer gets an error when the
// records of its outcome cannot be stored, and does not wait forever.
func TestAnswersWhatTheLedgerDoesNotTake(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		l := &brokenLedger{left: 1000000}
		cancel, done := x.startOn(func(real Ledger) Ledger { l.Ledger = real; return l })
		defer x.ledger.Close()
		defer func() { cancel(); <-done }()
		x.until(Idle, time.Minute)
		l.mu.Lock()
		l.left = 1 // the change itself is recorded, its outcome is not
		l.mu.Unlock()
		answered := make(chan error, 1)
		go func() {
			_, err := x.s.Do(context.Background(), Request{Scale: &ScaleRequest{StepsPerMM: 79.2, NowStepsPerMM: 80}})
			answered <- err
		}()
		select {
		case err := <-answered:
			if !errors.Is(err, errDisk) {
				t.Errorf("answered with %v, want %v", err, errDisk)
			}
		case <-time.After(time.Hour):
			t.Error("the request was never answered")
		}
	})
}
