package supervisor

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// TestTimesGoToTheirClasses with a lot made by hand: every second of it belongs to one class, the time
// of a part that is made during Holding to production, and a second start's times are not mixed with
// the first's.
func TestTimesGoToTheirClasses(t *testing.T) {
	wall := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	seq := int64(0)
	at := func(boot int64, s int) ledger.Stamp {
		seq++
		return ledger.Stamp{Seq: seq, Boot: boot, At: wall.Add(time.Duration(s)*time.Second + time.Duration(boot)*10*time.Hour), SinceStart: time.Duration(s) * time.Second}
	}
	var states []ledger.State
	state := func(boot int64, s int, name string) {
		states = append(states, ledger.State{Stamp: at(boot, s), State: name})
	}
	state(1, 0, "Idle")
	lot := ledger.Lot{Opened: at(1, 100), Jobs: []ledger.LotJob{{PlannedRun: 500 * time.Second}}}
	state(1, 110, "Starting")      // 10 s idle
	state(1, 200, "Execute")       // 90 between
	state(1, 700, "Holding")       // a part from 210 to 800: 10 between
	state(1, 830, "Held")          // 30 held
	state(1, 1830, "Unholding")    // 1000 held
	state(1, 1850, "Execute")      // 20 held
	state(1, 2500, "Suspending")   // a part from 1850 to 2500
	state(1, 2510, "Suspended")    // 10 suspended
	state(1, 3510, "Unsuspending") // 1000 suspended, of it 400 unattended
	state(1, 3520, "Execute")      // 10 suspended
	last := at(1, 3600)            // interrupted: 80 lost
	state(2, 5, "Aborting")
	state(2, 15, "Aborted")  // 10
	state(2, 75, "Clearing") // 60
	state(2, 80, "Stopped")  // 5
	end := at(2, 100)        // 20 idle
	cycles := []ledger.Cycle{
		{State: ledger.CycleStateDischarged, Begun: at(1, 210), Discharged: at(1, 800)},
		{State: ledger.CycleStateDischarged, Begun: at(1, 1850), Discharged: at(1, 2500)},
		{State: ledger.CycleStateInterrupted, Begun: at(1, 3520), Interrupted: at(2, 6)},
	}
	holds := []ledger.Hold{{Reason: CauseUnattended, Begun: at(1, 2510), Ended: at(1, 2910)}, {Reason: CauseCheckParts, Begun: at(1, 830), Ended: at(1, 1830)}}
	counts := ledger.Counts{Made: 2, Good: 1, Unverified: 1, ByJob: []ledger.JobCounts{{Made: 2}}}
	p := ProductionOf(lot, counts, cycles, holds, ledger.Times{States: states, Last: map[int64]ledger.Stamp{1: last, 2: end}})
	for name, c := range map[string][2]float64{"production": {p.ActualProductionS, 1240}, "between": {p.BetweenS, 100}, "held": {p.HeldS, 1050},
		"suspended": {p.SuspendedS, 620}, "unattended": {p.UnattendedS, 400}, "faults": {p.FaultsS, 155}, "idle": {p.IdleS, 30}, "in work": {p.InWorkS, 0},
		"busy": {p.PlannedBusyS, 1240 + 100 + 1050 + 620 + 155}, "planned": {p.PlannedRunS, 500}, "unseen": {p.UnseenS, 10*3600 + 5 - 3600}} {
		if math.Abs(c[0]-c[1]) > 1e-6 {
			t.Errorf("%s: %g s, want %g", name, c[0], c[1])
		}
	}
	// ISO 22400-2: APT/PBT, PRI*PQ/APT, GQ/PQ and their product.
	f := p.Figures
	if f == nil || math.Abs(f.Availability-1240.0/3165) > 1e-9 || math.Abs(f.Effectiveness-1000.0/1240) > 1e-9 || f.QualityRatio != 0.5 || math.Abs(f.OEE-1000.0/3165/2) > 1e-9 {
		t.Errorf("figures %+v, %s", f, p.Why)
	}
	if p.Most == nil || p.Most.QualityRatio != 1 {
		t.Errorf("were all good: %+v", p.Most)
	}
	// The interrupted part is decided as scrap: its 80 s count as production and as planned, and it
	// counts as made, as it does for the yield.
	torn, words := counts, append([]ledger.Cycle(nil), cycles...)
	torn.Made, torn.Scrap, torn.InterruptedScrap, words[2].State = torn.Made+1, 1, 1, ledger.CycleStateDecided
	times := ledger.Times{States: states, Last: map[int64]ledger.Stamp{1: last, 2: end}}
	p = ProductionOf(lot, torn, words, holds, times)
	if f = p.Figures; f == nil || p.Produced != 3 || math.Abs(f.QualityRatio-1.0/3) > 1e-9 || math.Abs(f.Effectiveness-1080.0/1320) > 1e-9 || math.Abs(f.Availability-1320.0/3165) > 1e-9 {
		t.Errorf("torn: %+v, %+v", f, p)
	}
	// On a clock that runs 60 times as fast, parts would be 60 times faster than planned.
	lot.Jobs[0].PlannedRun = time.Hour
	if p = ProductionOf(lot, counts, cycles, holds, times); p.Figures != nil || p.Most != nil || !strings.Contains(p.Why, "simulated") {
		t.Errorf("on a simulated clock: %+v", p)
	}
	lot.Jobs[0].PlannedRun = 0
	if p = ProductionOf(lot, counts, cycles, holds, ledger.Times{}); p.Figures != nil || !strings.Contains(p.Why, "not recorded") {
		t.Errorf("without a plan: %+v", p)
	}
	if p = ProductionOf(lot, ledger.Counts{}, nil, nil, ledger.Times{}); p.Figures != nil || !strings.Contains(p.Why, "no part") {
		t.Errorf("without a part: %+v", p)
	}
}

// TestFiguresOfARealLot: the classes add up to the elapsed time on a clock of their own, and a hold of
// two hours is a loss of two hours.
func TestFiguresOfARealLot(t *testing.T) {
	withoutRace(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts = 2
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		// An earlier lot shows how fast the bed cools.
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{4}, Start: true}})
		x.until(Held, 6*time.Hour)
		x.do(Request{Visit: &Visit{Good: 2}})
		x.do(Request{Command: Unhold})
		x.until(Complete, 6*time.Hour)
		x.do(Request{Visit: &Visit{Good: 2}})
		begun := time.Now()
		id := x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{4}, Start: true}}).LotID
		x.until(Held, 6*time.Hour)
		time.Sleep(2 * time.Hour)
		x.do(Request{Visit: &Visit{Good: 2}})
		x.do(Request{Command: Unhold})
		x.until(Complete, 6*time.Hour)
		x.do(Request{Visit: &Visit{Good: 1}})
		took := time.Since(begun).Seconds()
		p := x.production(t, id)
		all := p.PlannedBusyS + p.IdleS + p.UnattendedS + p.InWorkS
		if math.Abs(all-took) > 2 {
			t.Errorf("%g s in classes, %g s went by", all, took)
		}
		if p.HeldS < 7200 || p.HeldS > 7200+1200 || p.FaultsS != 0 || p.Figures == nil || p.Produced != 4 || p.Good != 3 {
			t.Fatalf("%+v", p)
		}
		// The plan is computed from the file: the machine must come near it.
		if e := p.Figures.Effectiveness; e < 0.9 || e > 1.15 || !p.PlannedWaits {
			t.Errorf("effectiveness %g, planned %g s a part, took %g", e, p.PlannedRunS, p.ActualProductionS/4)
		}
		t.Logf("%+v of %+v", *p.Figures, p)
		x.stop()
	})
}

func (x *run) production(t *testing.T, id int64) Production {
	t.Helper()
	ctx := context.Background()
	l, err := x.ledger.Lot(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	cycles, err := x.ledger.Cycles(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	holds, err := x.ledger.Holds(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	times, err := x.ledger.Times(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	return ProductionOf(l, x.counts(id), cycles, holds, times)
}
