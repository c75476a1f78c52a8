package supervisor

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
)

// TestAHeatUpIsForeseen: the rig's heaters have an independent model. After two heat-ups of each, the
// third takes as long as forecast.
func TestAHeatUpIsForeseen(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		plan := x.plan(clipJob)
		if plan.Heat.HeatUp != nil || plan.HeatTimes(job.Heaters{}, x.set.ReleaseC, x.set.NozzleStandbyC) != (job.HeatTimes{}) {
			t.Error("a heat-up is foretold by what nobody has seen")
		}
		first := x.s.Snapshot().Heat.Learned
		if _, ok := first.Bed.HeatUp(30, 55); ok {
			t.Error("known before anything was heated")
		}
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{4}, Start: true}})
		foretold, took := 0.0, 0.0
		var from time.Time
		fromC := 0.0
		for s := x.s.Snapshot(); s.State != Complete; s = x.s.Snapshot() {
			_, _, bedC, target := x.rig.Temperatures()
			learned := s.Heat.Learned
			switch {
			case from.IsZero() && learned.Bed.Warming.Spans == 2 && target == 0 && bedC < 40:
				fromC = bedC // the bed cools for the last time before the third
			case from.IsZero() && fromC > 0 && target > 0:
				from, fromC = time.Now(), bedC
				d, ok := learned.Bed.HeatUp(bedC, target)
				if !ok {
					t.Fatalf("not known after two heat-ups: %+v", learned.Bed)
				}
				foretold = d.Seconds()
			case !from.IsZero() && took == 0 && bedC >= target-0.05:
				took = time.Since(from).Seconds()
			}
			time.Sleep(100 * time.Millisecond)
		}
		t.Logf("bed from %.1f °C: foretold %.1f s, took %.1f s", fromC, foretold, took)
		if took == 0 || math.Abs(foretold-took) > 0.1*took {
			t.Errorf("the third heat-up took %.1f s; %.1f s were foretold", took, foretold)
		}
		was := x.s.Snapshot().Heat.Learned
		times := plan.HeatTimes(was, x.set.ReleaseC, x.set.NozzleStandbyC)
		if times.Cool == nil || times.Reheat == nil || times.Cool.Mid <= 0 || *times.Reheat <= 0 {
			t.Errorf("cool %v, reheat %v after two parts", times.Cool, times.Reheat)
		}
		seen := x.s.Snapshot().Lot.PartTakes // from the part's first line to the next's
		x.stop()
		restarted(t, x, seen)
	})
}

// restarted checks that what was learned is still there after a restart, for a reader, and in the
// forecast of a part that was never made in this lot.
func restarted(t *testing.T, x *run, seen time.Duration) {
	t.Helper()
	l, err := ledger.Open(x.path, ledger.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	kept, err := ReadHeat(context.Background(), l, x.set.Port.Path)
	if err != nil || kept.Bed.Warming.Spans < 2 || kept.Nozzle.Warming.Spans < 2 || kept.Bed.Cooling.Spans < 2 {
		t.Errorf("kept: %+v (%v)", kept, err)
	}
	l.Close()
	x.start()
	if got := x.s.Snapshot().Heat.Learned; got.Bed.Warming != kept.Bed.Warming || got.Nozzle.Cooling != kept.Nozzle.Cooling {
		t.Errorf("after a restart %+v, want %+v", got, kept)
	}
	x.opts.Heat = job.Heating{Heaters: kept, ReleaseC: x.set.ReleaseC, NozzleStandbyC: x.set.NozzleStandbyC}
	p := x.plan(clipJob)
	if p.Heat.HeatUp == nil || p.Heat.Cool == nil || p.Heat.Reheat == nil {
		t.Errorf("the job's heat times are not known: %+v", p.Heat)
	} else {
		t.Logf("heat-up %v, cooling %v, reheating %v", *p.Heat.HeatUp, p.Heat.Cool.Mid, *p.Heat.Reheat)
	}
	x.until(Idle, time.Minute)
	x.do(Request{EndLot: true, By: "test"})
	x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{p}, Good: []int{1}}})
	takes := x.s.Snapshot().Lot.PartTakes
	t.Logf("a part is foretold to take %v, of which %v in motion; %v were seen before", takes, p.Duration, seen)
	if want := p.Duration + p.Heat.Cool.Mid + *p.Heat.Reheat + pace.MoveOff; (takes - want).Abs() > time.Second { // the room temperature was read once more
		t.Errorf("the next part is foretold to take %v, want %v", takes, want)
	}
	if math.Abs(takes.Seconds()-seen.Seconds()) > 0.1*seen.Seconds() {
		t.Errorf("the next part is foretold to take %v, and parts took %v", takes, seen)
	}
	x.stop()
}

// TestMoreDriveIsTold: a nozzle that needs much more power than before at the same temperature is not
// yet a fault. Somebody is called about it once, and nothing stops.
func TestMoreDriveIsTold(t *testing.T) {
	l, _ := killed(t)
	m, _ := restartOn(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	was := m.State()
	var told []string
	report := func(d time.Duration, duty float64) {
		for end := m.now.Add(d); m.now.Before(end); {
			m.now = m.now.Add(2 * time.Second)
			m.out = Output{}
			m.learnHeat(serialio.Temps{HasNozzle: true, NozzleC: 205, HasNozzleTarget: true, NozzleTargetC: 205, HasNozzleDuty: true, NozzleDuty: duty})
			for _, r := range m.out.Records {
				if a, ok := r.(ledger.AlertQueued); ok {
					told = append(told, a.Alert.Kind+": "+a.Alert.Text)
				}
			}
		}
	}
	report(40*time.Minute, 70)
	if len(told) > 0 {
		t.Fatalf("told %q of what is as usual", told)
	}
	report(40*time.Minute, 100)
	if len(told) != 1 || !strings.HasPrefix(told[0], "heat_unusual: nozzle needs 42 % more drive to hold 205 °C than it did over 3") || m.State() != was {
		t.Errorf("%s, told %q", m.State(), told)
	}
}
