package supervisor

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// TestMadePartIsTakenUpOnce: a part that was made and given up before it was moved off does not call
// the operator again at every later start, once they have cleared the belt.
func TestMadePartIsTakenUpOnce(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{2}, Start: true}})
		x.until(Execute, 2*time.Hour)
		for x.s.Snapshot().Lot.Made == 0 {
			time.Sleep(time.Second)
		}
		time.Sleep(5 * time.Second) // the bed cools
		x.do(Request{Command: Stop})
		x.until(Stopped, 2*time.Hour)
		x.do(Request{Visit: &Visit{BeltCleared: true}})
		for range 2 {
			x.stop()
			x.start()
			time.Sleep(2 * time.Minute)
			s := x.s.Snapshot()
			if s.State != Idle || !s.Belt.Clear || s.Belt.UncertainMM != 0 || s.Lot.Made != 1 {
				t.Errorf("after a restart: %s (%s), clear %t, uncertain %.1f mm, %d made; want Idle, clear, 0, 1",
					s.State, s.Cause.Text, s.Belt.Clear, s.Belt.UncertainMM, s.Lot.Made)
			}
		}
		x.stop()
	})
}

// TestInterruptedPartStaysWithItsLot: the decision on a part of a lot that was given up must not count
// for the next lot.
func TestInterruptedPartStaysWithItsLot(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{2}, Start: true}})
		x.until(Execute, 2*time.Hour)
		time.Sleep(20 * time.Second)
		x.do(Request{Command: Stop})
		x.until(Stopped, 2*time.Hour)
		x.do(Request{EndLot: true})
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{2}}})
		x.refuse(Request{Visit: &Visit{BeltCleared: true, Interrupted: "good"}})
		s := x.s.Snapshot()
		if c := x.counts(s.Lot.ID); s.Lot.Made != 0 || c.Made != 0 || s.Lot.Good != 0 || c.Good != 0 {
			t.Errorf("new lot: %d made and %d good, in the ledger %d and %d; want none", s.Lot.Made, s.Lot.Good, c.Made, c.Good)
		}
		x.stop()
	})
}

// killed returns a ledger as kill -9 leaves it in the middle of a lot's first part, and the part's
// plan.
func killed(t *testing.T) (*ledger.Ledger, *job.Plan) {
	t.Helper()
	plan, err := job.Inspect(context.Background(), clipJob, testJobOptions(), nil)
	if err != nil {
		t.Fatal(err)
	}
	l, err := ledger.Open(t.Name(), ledger.Options{Memory: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	belt := ledger.Belt{TravelMM: 100, AdvanceMM: 90, Known: true}
	keep(t, l, ledger.LotOpened{Lot: ledger.Lot{ID: 1, Name: "clips", Order: ledger.OrderBlocks, Jobs: []ledger.LotJob{{
		Path: plan.Path, SHA256: plan.SHA256, Name: "clip", GoodOrdered: 2, FilamentMMPerCycle: plan.FilamentMM,
		BeltTravelMMPerCycle: plan.BeltTravelMM + 30, PitchMM: plan.PitchMM}}}},
		ledger.StateChanged{State: Execute.String()},
		ledger.CycleBegun{Seq: 1, LotID: 1, Ordinal: 1, EndNumber: endNumber(1), Belt: belt})
	return l, plan
}

func keep(t *testing.T, l *ledger.Ledger, r ...ledger.Record) {
	t.Helper()
	if len(r) == 0 {
		return
	}
	if err := l.Commit(context.Background(), r...); err != nil {
		t.Fatal(err)
	}
}

// restartOn starts a process on a ledger; the port is missing.
func restartOn(t *testing.T, l *ledger.Ledger, now time.Time) (m *Machine, step func(ev Event) Output) {
	t.Helper()
	inspect := func(ctx context.Context, path string) (*job.Plan, error) {
		return job.Inspect(ctx, path, testJobOptions(), nil)
	}
	m, err := NewMachine(context.Background(), testSettings(), l, inspect, "test", now)
	if err != nil {
		t.Fatal(err)
	}
	keep(t, l, m.Begin(now).Records...)
	return m, func(ev Event) Output {
		t.Helper()
		if at, ok := m.Deadline(); ok {
			now = at
		}
		out := m.Step(now, ev)
		keep(t, l, out.Records...)
		return out
	}
}

// TestSecondKillReckonsNothingTwice kills the process again before the board was reached.
func TestSecondKillReckonsNothingTwice(t *testing.T) {
	l, plan := killed(t)
	now := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	for n := range 3 {
		m, _ := restartOn(t, l, now)
		if got := m.belt.uncertainMM; m.State() != Aborting || got != plan.BeltTravelMM || m.belt.known {
			t.Errorf("restart %d: %s, %.3f mm uncertain, clear %t; want Aborting, %.3f, false", n+1, m.State(), got, m.belt.known, plan.BeltTravelMM)
		}
	}
	m, step := restartOn(t, l, now)
	step(LinkSynced{LastNumber: endNumber(1) + 1})
	if m.lot.Made != 1 || m.belt.uncertainMM != 0 || m.belt.base.TravelMM != 100+plan.BeltTravelMM {
		t.Errorf("board had taken the last line: %d made, %.3f mm uncertain, travel %.3f; want 1, 0, %.3f",
			m.lot.Made, m.belt.uncertainMM, m.belt.base.TravelMM, 100+plan.BeltTravelMM)
	}
}

// TestLotGivenUpWithoutItsBoard: the next lot must be able to begin a part though the board never
// reported what became of the last one.
func TestLotGivenUpWithoutItsBoard(t *testing.T) {
	l, plan := killed(t)
	m, step := restartOn(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	for range 100 {
		if m.State() == Aborted {
			break
		}
		if m.link.phase == linkOpening {
			step(LinkFailed{errors.New("no such port")})
		}
		step(Tick{})
	}
	if out := step(Request{EndLot: true}); m.State() != Aborted || out.Refused != nil {
		t.Fatalf("%s, end of lot refused: %v", m.State(), out.Refused)
	}
	if out := step(Request{Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{1}}}); out.Refused != nil {
		t.Fatal(out.Refused)
	}
	if m.link.phase == linkDown {
		step(Tick{})
	}
	step(LinkSynced{LastNumber: endNumber(1)})
	if m.lot.Made != 0 {
		t.Errorf("the part of the first lot counts for the second: %d made", m.lot.Made)
	}
	m.out = Output{}
	m.beginCycle(0)
	keep(t, l, m.out.Records...)
}

// TestBeltClearedBeforeTheBoardIsBack: the operator need not report it twice.
func TestBeltClearedBeforeTheBoardIsBack(t *testing.T) {
	l, _ := killed(t)
	m, step := restartOn(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	if m.belt.known {
		t.Fatal("the belt is clear though a part was under way")
	}
	step(Request{Visit: &Visit{BeltCleared: true}})
	step(LinkSynced{LastNumber: 7})
	if !m.belt.known || m.lot.Total().Interrupted != 1 {
		t.Errorf("clear %t, %d interrupted; want true and 1", m.belt.known, m.lot.Total().Interrupted)
	}
}

// TestTheWayOverTheEdgeIsKept: a process killed in Complete, before anybody has come, must not lose
// how far the belt ran at the end.
func TestTheWayOverTheEdgeIsKept(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}})
		s := x.until(Complete, 5*time.Hour)
		kept, err := x.ledger.Belt(context.Background())
		if err != nil || kept.TravelMM != s.Belt.TravelMM || kept.AdvanceMM != s.Belt.AdvanceMM || kept.AdvanceMM < x.set.ToDropMM {
			t.Errorf("%v: kept %.1f and %.1f mm, run were %.1f and %.1f", err, kept.TravelMM, kept.AdvanceMM, s.Belt.TravelMM, s.Belt.AdvanceMM)
		}
	})
}

// TestClearingLiftsABlindHead: a board that has restarted does not know where the head is. It may be
// low in a part, and is lifted from wherever it is before the belt moves.
func TestClearingLiftsABlindHead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "peg.gcode") // it reaches to where a restarted board assumes the head to be
	text := "G21\nG90\nM82\nM140 S60\nM104 S205\nG28\nG92 E0\nG1 X0 Y3 Z0.2 F6000\nG1 X40 Y9 E1 F1200\nG1 X0 Y3 E2\nM104 S0\nM140 S0\nM84\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(path)}, Good: []int{1}, Start: true}})
		x.until(Execute, time.Hour)
		x.untilDoing("cooling")
		time.Sleep(10 * time.Second) // until the head is up
		x.stop()
		x.start()
		x.until(Idle, 10*time.Minute)
		x.do(Request{Command: Stop, ClearBelt: true})
		x.until(Stopped, 3*time.Hour)
		f := x.rig.Figures()
		if f.Resets < 2 || len(x.rig.Parts()) == 0 || f.BeltAdvanceMM < 200 {
			t.Fatalf("%d restarts, %d parts, %.0f mm of belt: this shows nothing", f.Resets, len(x.rig.Parts()), f.BeltAdvanceMM)
		}
		if f.Collisions != 0 {
			t.Errorf("the head ran into %d parts: %v", f.Collisions, f.Damage)
		}
		x.stop()
	})
}

// TestMovesThatABoardForgotAreInDoubt: a board that restarts loses the moves that it had accepted and
// not made. The ledger's travel differs from the belt's true travel by at most the uncertain travel.
// Moves that a wait for motion has shown to be complete are not uncertain.
func TestMovesThatABoardForgotAreInDoubt(t *testing.T) {
	withoutRace(t)
	for name, does := range map[string]func(x *run){
		"the daemon is started anew": func(x *run) {
			x.stop()
			x.start()
		},
		"the cable is out, and the board's power too": func(x *run) {
			if err := x.rig.Inject(rig.Fault{Kind: rig.Unplug, For: 10 * time.Second, Restart: true}); err != nil {
				t.Fatal(err)
			}
		},
		"the button": func(x *run) { x.rig.Reset() },
	} {
		for n := range 6 {
			doing := []string{"making part", "cooling"}[n%2]
			inBubble(t, func(t *testing.T) {
				x := newRun(t, testRig(), testSettings())
				x.start()
				x.until(Idle, time.Minute)
				x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}})
				x.until(Execute, time.Hour)
				x.untilDoing(doing)
				time.Sleep(100*time.Second + time.Duration(n)*700*time.Millisecond)
				does(x)
				time.Sleep(10 * time.Minute)
				b, ran := x.s.Snapshot().Belt, x.rig.Figures().CommandedMM
				off := math.Abs(b.TravelMM - ran)
				if ran == 0 || off > b.UncertainMM+0.01 {
					t.Errorf("%s, %s: %.2f mm in the ledger, %.2f of them in doubt; the belt has run %.2f", doing, name, b.TravelMM, b.UncertainMM, ran)
				}
				if doing == "cooling" && b.UncertainMM != 0 {
					t.Errorf("%s, %s: %.2f mm are in doubt", doing, name, b.UncertainMM)
				}
				x.stop()
			})
		}
	}
}

// TestALineThatWasNeverSentCountsForNothing: a stop finds a line waiting for its number. It is
// dropped, and the belt has not run for it.
func TestALineThatWasNeverSentCountsForNothing(t *testing.T) {
	oneMachine(t)
	for n := range 12 {
		inBubble(t, func(t *testing.T) {
			x := newRun(t, testRig(), testSettings())
			x.start()
			x.until(Idle, time.Minute)
			x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}})
			x.until(Execute, time.Hour)
			x.untilDoing("making part")
			time.Sleep(100*time.Second + time.Duration(n)*370*time.Millisecond)
			x.do(Request{Command: Stop})
			x.until(Stopped, time.Hour)
			if b, ran := x.s.Snapshot().Belt, x.rig.Figures().CommandedMM; math.Abs(b.TravelMM-ran) > 0.01 || b.UncertainMM != 0 {
				t.Errorf("%.2f mm in the ledger, %.2f of them in doubt; the belt has run %.2f", b.TravelMM, b.UncertainMM, ran)
			}
			x.stop()
		})
	}
}

// TestTheBeltIsKeptInAHold: a hold before the first part leaves the lead-in's travel in the ledger,
// for the next process.
func TestTheBeltIsKeptInAHold(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}})
		time.Sleep(10 * time.Second)
		x.do(Request{Command: Hold})
		x.until(Held, time.Hour)
		time.Sleep(time.Hour) // the heaters are off by then, and the process may end at once
		x.stop()
		x.start()
		x.until(Aborted, time.Minute)
		b, ran := x.s.Snapshot().Belt, x.rig.Figures().CommandedMM
		if ran == 0 || math.Abs(b.TravelMM-ran) > 0.01 {
			t.Errorf("%.2f mm in the ledger; the belt has run %.2f", b.TravelMM, ran)
		}
		x.stop()
	})
}

// TestTheBeltIsKeptInAFault: the cable comes out while the belt runs outside a part, and the process
// ends before the board is back. The next process knows how far the belt has run, or counts it as
// uncertain.
func TestTheBeltIsKeptInAFault(t *testing.T) {
	oneMachine(t)
	for doing, state := range map[string]State{"the lead-in": Starting, "the way over the drop edge": Completing} {
		inBubble(t, func(t *testing.T) {
			x := newRun(t, testRig(), testSettings())
			x.hot = true
			x.start()
			x.until(Idle, time.Minute)
			x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}})
			x.until(state, 5*time.Hour)
			before := x.rig.Figures().CommandedMM
			for x.s.Snapshot().State == state && x.rig.Figures().CommandedMM == before {
				time.Sleep(10 * time.Millisecond)
			}
			time.Sleep(200 * time.Millisecond)
			if err := x.rig.Inject(rig.Fault{Kind: rig.Unplug, For: 10 * time.Minute, Restart: true}); err != nil {
				t.Fatal(err)
			}
			x.until(Aborting, time.Minute)
			x.stop()
			x.start()
			x.until(Aborted, 20*time.Minute)
			b, ran := x.s.Snapshot().Belt, x.rig.Figures().CommandedMM
			if ran == before || math.Abs(b.TravelMM-ran) > b.UncertainMM+0.01 {
				t.Errorf("%s: %.2f mm in the ledger, %.2f of them in doubt; the belt has run %.2f", doing, b.TravelMM, b.UncertainMM, ran)
			}
			x.stop()
		})
	}
}

// TestPlannedTravelCountsMoves: lines between moves take no room in a board's planner, and moves of
// filament need not take any. Of 40 belt moves, each followed by a fan command and a retraction, the
// newest 32 moves may not have been made, rather than those of the newest 32 lines.
func TestPlannedTravelCountsMoves(t *testing.T) {
	track := tracker{axis: gcode.Y, forward: 1}
	track.reset()
	for _, line := range []string{"G21", "G90", "G92 Y0"} {
		if err := track.follow([]byte(line)); err != nil {
			t.Fatal(err)
		}
	}
	for n := range 40 {
		for _, line := range []string{fmt.Sprintf("G1 Y%d F600", n+1), fmt.Sprintf("M106 S%d", n), fmt.Sprintf("G1 E%d", -n)} {
			if err := track.follow([]byte(line)); err != nil {
				t.Fatal(err)
			}
		}
	}
	track.accept(60)
	track.accept(63)
	if p := track.progress(); p.TravelMM != 40 || p.PlannedMM != 32 {
		t.Errorf("%g mm run, %g of them perhaps not, want 40 and 32", p.TravelMM, p.PlannedMM)
	}
}

// TestWhatFollowsAKillProvesNoPart: the board's number is the one before a part's last line. The lines that switch off are
// counted anew, and not from there.
func TestWhatFollowsAKillProvesNoPart(t *testing.T) {
	for _, c := range []struct {
		last int64
		anew bool
	}{{endNumber(1) - 1, true}, {endNumber(1), false}, {40, false}} {
		l, _ := killed(t)
		m, step := restartOn(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
		if m.link.phase == linkDown {
			step(Tick{})
		}
		out := step(LinkSynced{LastNumber: c.last})
		if len(out.Effects) == 0 {
			t.Fatalf("%d: nothing is sent", c.last)
		}
		if first := out.Effects[0]; (first == SendControl{Text: resetLineNumber}) != c.anew {
			t.Errorf("after %d the first effect is %+v", c.last, first)
		}
		l.Close()
	}
}

// TestMovesLostAtRestAreKept: the board halts in a state that no loss of the connection leaves, with moves in its queue. What
// became uncertain by that is in the ledger before the process can end.
func TestMovesLostAtRestAreKept(t *testing.T) {
	for _, state := range []State{Clearing, Resetting, Stopped, Aborted} {
		l, _ := killed(t)
		m, step := restartOn(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
		m.state, m.cycle, m.link.phase = state, nil, linkUp
		m.belt.latest.TravelMM, m.belt.latest.PlannedMM, m.belt.madeMM = 25, 16, 0
		before := m.belt.uncertainMM
		step(LinkLost{serialio.ErrHalted})
		b, err := l.Belt(context.Background())
		if err != nil || b.UncertainMM != before+16 {
			t.Errorf("%s: the ledger has %g mm uncertain, want %g (%v)", state, b.UncertainMM, before+16, err)
		}
		l.Close()
	}
}
