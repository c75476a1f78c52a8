package supervisor

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
)

// setupRun is a machine whose direction and drop distance nobody has said.
func setupRun(t *testing.T, rs rig.Settings) *run {
	set := testSettings()
	set.ForwardUnknown, set.ToDropMM = true, 0
	x := newRun(t, rs, set)
	x.start()
	x.until(Idle, time.Minute)
	time.Sleep(5 * time.Second) // the first temperatures
	return x
}

func (x *run) setupMove(mm float64) Result {
	x.t.Helper()
	return x.do(Request{By: "Ada", SetupMove: &SetupMove{MM: mm, Clear: true}})
}

// TestSetupFindsTheBelt: on belts of either sign, one whose scale is off and one whose motor has no current, a person
// who says what they see is told what the configuration must say.
func TestSetupFindsTheBelt(t *testing.T) {
	oneMachine(t)
	for _, c := range []struct {
		reversed bool
		want     int
	}{{false, 1}, {true, -1}} {
		t.Run(fmt.Sprint(c.want), func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				rs := testRig()
				rs.Belt.Reversed = c.reversed
				rs.Belt.TrueStepsPerMM = rs.Machine.StepsPerMM[1] / 1.065 // asked 100 mm, measured 106.5
				x := setupRun(t, rs)
				if err := x.refuse(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}}); !strings.Contains(err.Error(), "machine.forward") {
					t.Errorf("a lot without a direction: %v", err)
				}
				if v := x.s.Snapshot().Setup; v == nil || strings.Join(v.Unknown, " ") != "machine.forward belt.to_drop_mm" {
					t.Fatalf("%+v", v)
				}
				x.refuse(Request{SetupFound: &SetupFound{Direction: "away"}}) // of no move
				was := x.rig.BeltAdvanceMM()
				x.setupMove(5)
				moved := x.rig.BeltAdvanceMM() - was
				if math.Abs(math.Abs(moved)-5*1.065) > 0.1 {
					t.Fatalf("the belt has moved %g mm", moved)
				}
				seen := "drop_edge"
				if moved < 0 {
					seen = "away"
				}
				r := x.do(Request{By: "Ada", SetupFound: &SetupFound{Direction: seen}})
				if !strings.Contains(r.Text, fmt.Sprintf("machine.forward: %+d", c.want)) || x.s.Snapshot().Setup.Forward != c.want {
					t.Errorf("direction: %q", r.Text)
				}

				// The mark goes towards the drop edge in steps of 50, 20 and 5 until it falls.
				sign, edge := float64(c.want), x.rig.BeltAdvanceMM()+rs.Belt.ToDropMM
				x.do(Request{SetupMove: &SetupMove{MM: 20 * sign, FromMark: true, Clear: true}})
				for n := 0; x.rig.BeltAdvanceMM() < edge && n < 60; n++ {
					step := 5.0
					switch left := edge - x.rig.BeltAdvanceMM(); {
					case left > 60:
						step = 50
					case left > 25:
						step = 20
					}
					x.setupMove(step * sign)
				}
				x.do(Request{SetupFound: &SetupFound{Drop: "fell"}})
				if mm := x.s.Snapshot().Setup.ToDropMM; mm < rs.Belt.ToDropMM/1.065 || mm > rs.Belt.ToDropMM/1.065+5.1 {
					t.Errorf("to drop: %g commanded mm", mm)
				}

				was = x.rig.BeltAdvanceMM()
				x.setupMove(-100 * sign)
				r = x.do(Request{SetupFound: &SetupFound{MeasuredMM: math.Round(10*math.Abs(x.rig.BeltAdvanceMM()-was)) / 10}})
				if !strings.Contains(r.Text, "from 80 to 75.1") {
					t.Errorf("length: %q", r.Text)
				}
				if s := x.s.Snapshot(); s.Belt.UncertainMM != 0 || s.State != Idle {
					t.Errorf("%s, %g mm uncertain", s.State, s.Belt.UncertainMM)
				}
				events, err := x.ledger.EventsOf(context.Background(), "setup", 100)
				if err != nil || len(events) < 10 || !strings.Contains(events[len(events)-1].Text+events[0].Text, "Ada moves") {
					t.Errorf("%d events %v", len(events), err)
				}
			})
		})
	}
}

// TestSetupOfAMotorThatDoesNotMove: the board says that it moved. What the person saw counts.
func TestSetupOfAMotorThatDoesNotMove(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		x := setupRun(t, testRig())
		if err := x.rig.Inject(rig.Fault{Kind: rig.NoMains}); err != nil {
			t.Fatal(err)
		}
		was := x.rig.BeltAdvanceMM()
		x.setupMove(5)
		if x.rig.BeltAdvanceMM() != was {
			t.Fatal("it moves")
		}
		if r := x.do(Request{SetupFound: &SetupFound{Direction: "still"}}); !strings.Contains(r.Text, "mains power") || x.s.Snapshot().Setup.Forward != 0 {
			t.Errorf("%q", r.Text)
		}
		for _, q := range []SetupFound{{Direction: "unknown"}, {Drop: "unknown"}} {
			if r := x.do(Request{SetupFound: &q}); !strings.Contains(r.Text, "not known") {
				t.Errorf("%+v: %q", q, r.Text)
			}
		}
	})
}

// TestSetupMoveIsRefused: nothing moves at a wrong length, without a confirmation, at a hot machine, with a lot open or
// while another move runs; not a line goes out.
func TestSetupMoveIsRefused(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		time.Sleep(5 * time.Second)
		was := x.rig.BeltTravelMM()
		for _, mm := range []float64{0, 0.5, -0.5, 100.5, -101, math.NaN(), math.Inf(1), math.Inf(-1), 1e300} {
			x.refuse(Request{SetupMove: &SetupMove{MM: mm, Clear: true}})
		}
		x.refuse(Request{SetupMove: &SetupMove{MM: 5}})
		for _, q := range []SetupFound{{}, {Direction: "left"}, {Drop: "perhaps"}, {Direction: "away", Drop: "fell"}, {MeasuredMM: math.NaN()}, {MeasuredMM: -5}} {
			x.refuse(Request{SetupFound: &q})
		}
		if x.rig.BeltTravelMM() != was {
			t.Error("the belt has moved")
		}

		// Sixty at once: one is carried out.
		var group sync.WaitGroup
		var lock sync.Mutex
		done := 0
		for range 60 {
			group.Go(func() {
				if _, err := x.s.Do(context.Background(), Request{SetupMove: &SetupMove{MM: 5, Clear: true}}); err == nil {
					lock.Lock()
					done++
					lock.Unlock()
				}
			})
		}
		group.Wait()
		if moved := x.rig.BeltTravelMM() - was; done != 1 || math.Abs(moved-5) > 0.01 {
			t.Errorf("%d of 60 carried out, %g mm", done, moved)
		}

		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}}})
		if err := x.refuse(Request{SetupMove: &SetupMove{MM: 5, Clear: true}}); !strings.Contains(err.Error(), "lot 1 is not finished") {
			t.Errorf("with an open lot: %v", err)
		}
		x.do(Request{Visit: &Visit{BeltCleared: true}})
		x.do(Request{Command: Start})
		x.until(Execute, time.Hour)
		x.refuse(Request{SetupMove: &SetupMove{MM: 5, Clear: true}})
		x.until(Complete, 4*time.Hour)
		x.do(Request{Visit: &Visit{Good: 1, BeltCleared: true}})
		x.s.Snapshot()
		if err := x.refuse(Request{SetupMove: &SetupMove{MM: 5, Clear: true}}); !strings.Contains(err.Error(), "not cold") {
			t.Errorf("hot: %v", err)
		}
		time.Sleep(3 * time.Hour)
		x.setupMove(5)
	})
}

// TestSetupMoveIsInterrupted: a cable that comes out, an abort, a board that restarts and a process that ends in the
// middle of a move end it safely, and how far the belt may have moved is said and kept.
func TestSetupMoveIsInterrupted(t *testing.T) {
	oneMachine(t)
	for name, strike := range map[string]func(x *run){
		"cable":   func(x *run) { x.rig.Unplug() },
		"button":  func(x *run) { x.rig.Reset() },
		"abort":   func(x *run) { x.do(Request{Command: Abort}) },
		"stop":    func(x *run) { x.do(Request{Command: Stop}) },
		"restart": func(x *run) { x.restart() },
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x := setupRun(t, testRig())
				was, s := x.rig.BeltTravelMM(), x.s
				answer := make(chan error, 1)
				go func() {
					_, err := s.Do(context.Background(), Request{SetupMove: &SetupMove{MM: 50, Clear: true}})
					answer <- err
				}()
				time.Sleep(2500 * time.Millisecond)
				strike(x)
				err := <-answer
				if err == nil {
					t.Fatal("it is answered as done")
				}
				var no *Refusal
				if name != "restart" && (!errors.As(err, &no) || !strings.Contains(err.Error(), "may have moved up to 50 mm")) {
					t.Errorf("%v", err)
				}
				time.Sleep(20 * time.Minute)
				moved, b := x.rig.BeltTravelMM()-was, x.s.Snapshot().Belt
				if moved >= 49.9 {
					t.Errorf("it moved %g mm after all", moved)
				}
				if math.Abs(b.TravelMM-moved) > b.UncertainMM+1.6 { // a released belt slips by 1.5 mm
					t.Errorf("moved %g mm, ledger %g, uncertain %g", moved, b.TravelMM, b.UncertainMM)
				}
				if v := x.s.Snapshot().Setup; v != nil && (v.Moving || v.LastMM != 0) {
					t.Errorf("%+v", v)
				}
			})
		})
	}
}
