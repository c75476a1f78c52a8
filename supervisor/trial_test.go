package supervisor

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// beginTrialOf requests a run of so many metres, with the offset read from the rig.
func (x *run) beginTrialOf(metres float64, adjuster string, turns float64) {
	x.t.Helper()
	mm := readOff(x.rig)
	x.do(Request{By: "north-house", TrialBegin: &TrialBegin{RunMM: 1000 * metres, BeforeMM: &mm, Adjuster: adjuster, Turns: turns, Clear: true}})
}

// readOff is the offset as read from a rule with tenths.
func readOff(r *rig.Rig) float64 { return math.Round(10*r.LateralOffsetMM()) / 10 }

// tryBelt runs a whole trial and returns its result.
func (x *run) tryBelt(metres float64, adjuster string, turns float64) *TrialResult {
	x.t.Helper()
	x.beginTrialOf(metres, adjuster, turns)
	x.untilRan()
	mm := readOff(x.rig)
	return x.do(Request{TrialEnd: &TrialEnd{AfterMM: &mm, Parts: 20, PartTravelMM: 700, MarkMoved: true}}).Trial
}

// untilRan waits until the belt has stopped and the machine is ready.
func (x *run) untilRan() *Snapshot {
	x.t.Helper()
	for range 6000 {
		s := x.s.Snapshot()
		switch {
		case s.Trial != nil && s.Trial.Ran && s.State == Idle:
			return s
		case s.Trial == nil:
			x.t.Fatalf("the trial has ended: %s: %s", s.State, s.Cause.Text)
		}
		time.Sleep(time.Second)
	}
	x.t.Fatal("the belt did not stop")
	return nil
}

// TestTrialRunsWholeLoops: a run of default length ends where it began.
func TestTrialRunsWholeLoops(t *testing.T) {
	for _, c := range []struct {
		loopMM, asked, runMM float64
		says                 string
	}{
		{2400, 0, 4800, "4.8 m forward at 1200 mm/min, 2 whole loops"},
		{2400, 10000, 10000, "that is 4.2 loops of the belt, so an uneven edge looks like drift: 9.60 m end where they begin"},
		{12000, 0, 12000, "12.0 m forward at 1200 mm/min, 1 whole loop"},
		{0, 0, 5000, "5.0 m forward at 1200 mm/min"},
	} {
		inBubble(t, func(t *testing.T) {
			rs, set := testRig(), testSettings()
			set.LoopMM, set.AdvanceFeed = c.loopMM, 1200
			x := newRun(t, rs, set)
			x.start()
			x.until(Idle, time.Minute)
			zero := 0.0
			r := x.do(Request{TrialBegin: &TrialBegin{RunMM: c.asked, BeforeMM: &zero, Clear: true}})
			if !strings.HasSuffix(r.Text, c.says) {
				t.Errorf("a loop of %g mm, %g mm asked for: %q, want %q", c.loopMM, c.asked, r.Text, c.says)
			}
			if s := x.untilRan(); s.Trial.RunMM != c.runMM || math.Abs(x.rig.BeltTravelMM()-c.runMM) > 1 {
				t.Errorf("%g mm of %g, and the belt ran %g", s.Trial.RunMM, c.runMM, x.rig.BeltTravelMM())
			}
			x.stop()
		})
	}
}

// TestTrialAgreesWithTheBelt: the result matches the rig's own rate, the run counts as travel and
// advance, and nothing heats.
func TestTrialAgreesWithTheBelt(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		rs, set := testRig(), testSettings()
		set.WorstDriftMMPerM = 0.5
		rs.Belt.DriftPerTravelMMPerM, rs.Belt.DriftPerAdvanceMMPerM, rs.Belt.JitterMMPerSqrtM = 0.05, -0.45, 0
		x := newRun(t, rs, set)
		x.start()
		x.until(Idle, time.Minute)
		r := x.tryBelt(5, "", 0)
		if math.Abs(r.RateMMPerM - -0.4) > 0.02+1e-9 || r.Side != "left" || r.Rate95[0] > -0.4 || r.Rate95[1] < -0.4 {
			t.Errorf("rate %+.3f to the %s, %v; the rig's is -0.4", r.RateMMPerM, r.Side, r.Rate95)
		}
		if r.Alignment != belt.AlignedBadly || math.Abs(*r.TravelToLimitMM-2500) > 300 {
			t.Errorf("%s, %g mm to the limit", r.Alignment, *r.TravelToLimitMM)
		}
		s, f := x.s.Snapshot(), x.rig.Figures()
		if math.Abs(s.Belt.TravelMM-5000) > 0.01 || math.Abs(s.Belt.AdvanceMM-5000) > 0.01 || math.Abs(f.BeltAdvanceMM-5000) > 1 || s.Belt.UncertainMM != 0 || !s.Belt.Clear {
			t.Errorf("counted %+v, the rig %+v", s.Belt, f)
		}
		for _, e := range x.rig.Record() {
			if text := string(e.Text); strings.Contains(text, "M109") || strings.Contains(text, "M190") || strings.Contains(text, "M104 S2") {
				t.Errorf("a trial sent %q", text)
			}
		}
		x.rig.Adjust(0.4) // now it does not drift
		x.rig.Realign(0)
		r = x.tryBelt(20, "left", 1)
		if r.Side != "" || r.RateMMPerM != 0 || r.Alignment != belt.AlignedWell {
			t.Errorf("a still belt: %+v", r.Verdict)
		}
		// Without parts of its own, the end judges for the open lot.
		plan := x.plan(clipJob)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{12}}})
		x.beginTrialOf(2, "", 0)
		x.untilRan()
		v := x.do(Request{TrialEnd: &TrialEnd{AfterMM: new(float64), MarkMoved: true}}).Trial
		if want := 12 * x.s.machine.lot.Jobs[0].BeltTravelMMPerCycle; math.Abs(v.AheadMM-want) > 1e-6 || math.Abs(v.AheadAdvanceMM-12*plan.PitchMM) > 1e-6 {
			t.Errorf("ahead of a lot of 12 lie %g mm with %g of advance, want %g and %g", v.AheadMM, v.AheadAdvanceMM, want, 12*plan.PitchMM)
		}
		x.stop()
		x.start() // the readings are checks, and the drift continues from them
		x.until(Idle, time.Minute)
		if d := x.s.Snapshot().Belt.Drift; d.N != 4 || *d.RateMMPerM != 0 {
			t.Errorf("drift after a restart %+v", d)
		}
		x.stop()
	})
}

// TestTrialLearnsTheAdjuster: the simulated adjuster changes the rate by -0.3 mm/m per turn.
func TestTrialLearnsTheAdjuster(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		rs, set := testRig(), testSettings()
		set.WorstDriftMMPerM = 0.5
		rs.Belt.DriftPerTravelMMPerM, rs.Belt.DriftPerAdvanceMMPerM, rs.Belt.JitterMMPerSqrtM = 0, 0.2, 0.01
		x := newRun(t, rs, set)
		x.start()
		x.until(Idle, time.Minute)
		turn := func(n float64) *TrialResult {
			x.rig.Adjust(-0.3 * n)
			x.rig.Realign(0)
			return x.tryBelt(8, "left", n)
		}
		if r := x.tryBelt(8, "", 0); len(r.Adjusters) != 0 {
			t.Errorf("before anything was turned: %+v", r.Adjusters)
		}
		if r := turn(-1); len(r.Adjusters) != 1 || r.Adjusters[0].Advice != nil || r.Adjusters[0].N != 1 {
			t.Errorf("after one adjustment: %+v", r.Adjusters)
		}
		turn(0.75)
		x.stop()
		x.start()
		x.until(Idle, time.Minute)
		r := turn(0.75)
		if len(r.Adjusters) != 1 || r.Adjusters[0].Advice == nil {
			t.Fatalf("after three adjustments and a restart: %+v", r.Adjusters)
		}
		a := r.Adjusters[0]
		if a.N != 3 || math.Abs(a.PerTurn - -0.3) > 0.03 || a.PerTurn95[0] > -0.3 || a.PerTurn95[1] < -0.3 {
			t.Errorf("learned %+v of -0.3 mm/m a turn", a.Response)
		}
		// Turned by 0.5 in all, the rate is 0.2 - 0.3*0.5.
		if want := (0.2 - 0.3*0.5) / 0.3; math.Abs(a.Advice.Turns-want) > 0.1 || math.Abs(r.RateMMPerM-0.05) > 0.02 {
			t.Errorf("advice %+v, want %+.2f; rate %+.3f", a.Advice, want, r.RateMMPerM)
		}
		x.stop()
	})
}

// TestTrialIsRefused: nothing of this moves the belt.
func TestTrialIsRefused(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		mm, far := 0.0, 40.0
		good := TrialBegin{RunMM: 5000, BeforeMM: &mm, Clear: true}
		alter := func(f func(q *TrialBegin)) *TrialBegin { q := good; f(&q); return &q }
		refused := func(want string, q *TrialBegin) {
			t.Helper()
			if err := x.refuse(Request{TrialBegin: q}); !strings.Contains(err.Error(), want) {
				t.Errorf("%v, want %q", err, want)
			}
		}
		refused("the machine is Resetting", &good)
		x.until(Idle, time.Minute)
		refused("nobody has confirmed", alter(func(q *TrialBegin) { q.Clear = false }))
		refused("run of 0.3 m", alter(func(q *TrialBegin) { q.RunMM = 300 }))
		refused("run of NaN m", alter(func(q *TrialBegin) { q.RunMM = math.NaN() }))
		refused("feed of 90000", alter(func(q *TrialBegin) { q.FeedMMPerMin = 90000 }))
		refused("offset before the run is missing", alter(func(q *TrialBegin) { q.BeforeMM = nil }))
		refused("offset of 40 mm", alter(func(q *TrialBegin) { q.BeforeMM = &far }))
		refused("name an adjuster and its turns together", alter(func(q *TrialBegin) { q.Turns = 1 }))
		if err := x.refuse(Request{TrialEnd: &TrialEnd{AfterMM: &mm}}); !strings.Contains(err.Error(), "no trial is open") {
			t.Error(err)
		}
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{2}, Start: true}})
		x.until(Execute, time.Hour)
		before := x.rig.BeltTravelMM()
		refused("the machine is Execute", &good)
		x.do(Request{Command: Stop})
		x.until(Stopped, time.Hour)
		refused("not cold", &good)
		time.Sleep(3 * time.Hour)
		refused("parts may be on the belt", &good)
		if got := x.rig.BeltTravelMM(); got > before+200 {
			t.Errorf("the belt ran %g mm", got-before)
		}
		x.rig.ClearBelt()
		x.do(Request{Visit: &Visit{BeltCleared: true, Interrupted: "scrap"}})
		x.do(Request{TrialBegin: &good}) // from Stopped
		time.Sleep(20 * time.Second)
		if err := x.refuse(Request{TrialEnd: &TrialEnd{AfterMM: &mm}}); !strings.Contains(err.Error(), "the belt is still running") {
			t.Error(err)
		}
		x.untilRan()
		if s := x.s.Snapshot(); !strings.Contains(s.Advice, "trial end --after-mm") {
			t.Errorf("when the belt stands the advice is %q", s.Advice)
		}
		if err := x.refuse(Request{Command: Start}); !strings.Contains(err.Error(), "hands may be at the belt") {
			t.Error(err)
		}
		refused("is still open", &good)
		if err := x.refuse(Request{TrialEnd: &TrialEnd{AfterMM: &mm, Parts: 3}}); !strings.Contains(err.Error(), "3 parts of 0 mm") {
			t.Error(err)
		}
		x.do(Request{TrialEnd: &TrialEnd{GiveUp: true}})
		x.do(Request{Command: Start})
		x.stop()
	})
}

// TestTrialIsStopped: whatever interrupts a trial, the belt runs out at most one more piece, the count
// is right, and the next trial begins without a trace of it.
func TestTrialIsStopped(t *testing.T) {
	for name, c := range map[string]struct {
		do    func(x *run)
		state State
	}{
		"stop":   {func(x *run) { x.do(Request{Command: Stop}) }, Stopped},
		"abort":  {func(x *run) { x.do(Request{Command: Abort}) }, Aborted},
		"end":    {func(x *run) { x.stop(); x.start() }, Aborted},
		"unplug": {func(x *run) { x.rig.Unplug(); time.Sleep(5 * time.Second); x.rig.Replug() }, Idle},
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				set := testSettings()
				set.TravelLimitMM = 4000 // a board that accepts long moves stops as quickly
				x := newRun(t, testRig(), set)
				x.start()
				x.until(Idle, time.Minute)
				time.Sleep(10 * time.Second)
				x.beginTrialOf(10, "", 0)
				time.Sleep(time.Minute)
				if s := x.s.Snapshot(); s.State != Resetting || s.Trial.DoneMM < 300 || s.Trial.DoneMM > 3000 {
					t.Fatalf("after a minute %s, %+v", s.State, s.Trial)
				}
				if s := x.s.Snapshot(); !strings.Contains(s.Advice, "keep hands off") {
					t.Errorf("while the belt runs the advice is %q", s.Advice)
				}
				was := x.rig.BeltTravelMM()
				c.do(x)
				time.Sleep(2 * time.Minute)
				s, ran := x.s.Snapshot(), x.rig.BeltTravelMM()
				if ran > was+201 || s.State != c.state && !(name == "end" && s.State == Idle) || s.Trial != nil {
					t.Errorf("%s; the belt ran %g mm on; trial %+v", s.State, ran-was, s.Trial)
				}
				// A belt whose motors are released slips by 1.5 mm.
				if low, high := s.Belt.TravelMM-s.Belt.UncertainMM-101, s.Belt.TravelMM+s.Belt.UncertainMM+2; ran < low || ran > high {
					t.Errorf("the belt ran %g mm, counted %g, uncertain %g", ran, s.Belt.TravelMM, s.Belt.UncertainMM)
				}
				trials, err := x.ledger.Trials(context.Background(), 9)
				if err != nil || len(trials) != 1 || !trials[0].Ended || !strings.HasPrefix(trials[0].How, "interrupted: ") {
					t.Errorf("kept %+v, %v", trials, err)
				}
				x.stop()
			})
		})
	}
}

// TestTrialAfterAKill: a process that was killed while the belt ran leaves the rest of that run as
// uncertain travel, once.
func TestTrialAfterAKill(t *testing.T) {
	ctx := context.Background()
	l, err := ledger.Open(t.Name(), ledger.Options{Memory: true})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	records := []ledger.Record{ledger.StateChanged{State: Resetting.String()}, ledger.TrialBegun{ID: 1, RunMM: 6000, TravelMM: 500, AdvanceMM: 500},
		ledger.BeltMoved{Belt: ledger.Belt{TravelMM: 2500, AdvanceMM: 2500, Known: true}}}
	for range 2 {
		if err := l.Commit(ctx, records...); err != nil {
			t.Fatal(err)
		}
		m, err := NewMachine(ctx, testSettings(), l, nil, "kill", time.Now())
		if err != nil {
			t.Fatal(err)
		}
		if got := m.belt.totals().UncertainMM; got != 4000 {
			t.Errorf("%g mm are uncertain, want 4000", got)
		}
		records = m.Begin(time.Now()).Records
	}
	trials, err := l.Trials(ctx, 9)
	if err != nil || len(trials) != 1 || !strings.Contains(trials[0].How, "daemon ended") {
		t.Errorf("kept %+v, %v", trials, err)
	}
}

// TestTrialAsksBack: an offset that looks like a typing error is questioned before anything of the
// trial is recorded, including the turned adjuster.
func TestTrialAsksBack(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.OffsetLimitMM = 1
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		mm, odd := 0.2, 12.0
		x.do(Request{Visit: &Visit{OffsetMM: &mm}})
		q := TrialBegin{RunMM: 1000, BeforeMM: &odd, Adjuster: "left", Turns: 1, Clear: true}
		if err := x.refuse(Request{TrialBegin: &q}); !strings.Contains(err.Error(), "--sure") {
			t.Error(err)
		}
		checks, err := x.ledger.Checks(context.Background(), 0, 0)
		if s := x.s.Snapshot(); err != nil || len(checks) != 1 || s.Belt.OffsetMM == nil || *s.Belt.OffsetMM != mm || s.Trial != nil {
			t.Errorf("after the refusal %d checks, %+v, %v", len(checks), s.Belt, err)
		}
		q.Sure = true
		x.do(Request{TrialBegin: &q})
		x.untilRan()
		if err := x.refuse(Request{TrialEnd: &TrialEnd{AfterMM: &odd}}); !strings.Contains(err.Error(), "--sure") {
			t.Error(err)
		}
		if r := x.do(Request{TrialEnd: &TrialEnd{AfterMM: &odd, Sure: true, MarkMoved: true}}); r.Trial.Alignment != belt.AlignmentNoLot || *r.Trial.TravelToLimitMM != 0 {
			t.Errorf("%+v", r.Trial)
		}
		x.stop()
	})
}

// TestTrialOfABeltThatDidNotRun: a board without mains power reports that the belt ran, and both
// offsets are the same. That is no sign of a good alignment, unless somebody saw the belt move.
func TestTrialOfABeltThatDidNotRun(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.WorstDriftMMPerM = 0.5
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.inject(rig.NoMains)
		x.beginTrialOf(5, "", 0)
		x.untilRan()
		if mm := x.rig.BeltTravelMM(); mm > 2 {
			t.Fatalf("the belt ran %.1f mm: this shows nothing", mm)
		}
		checks := x.s.Snapshot().Belt.Drift.N
		for _, afterMM := range []float64{0, 0.4, -0.4} {
			if err := x.refuse(Request{TrialEnd: &TrialEnd{AfterMM: &afterMM, Parts: 20, PartTravelMM: 700}}); !strings.Contains(err.Error(), "--mark-moved") {
				t.Errorf("%+.1f mm: %v", afterMM, err)
			}
		}
		if s := x.s.Snapshot(); s.Trial == nil || s.Belt.Drift.N != checks {
			t.Errorf("a refusal has ended the trial, or kept a reading: %+v, %+v", s.Trial, s.Belt.Drift)
		}
		x.do(Request{TrialEnd: &TrialEnd{GiveUp: true}})
	})
}
