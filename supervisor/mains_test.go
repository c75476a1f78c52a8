package supervisor

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
)

// lieRun is a machine at rest whose board is watched by the whole heat watch.
func lieRun(t *testing.T, change func(*rig.Settings, *Settings)) *run {
	t.Helper()
	rs, set := testRig(), testSettings()
	set.NozzleWatch, set.BedWatch = heat.NozzleLimits(260, heat.OverC), heat.BedLimits(100, heat.OverC)
	if change != nil {
		change(&rs, &set)
	}
	x := newRun(t, rs, set)
	x.start()
	x.until(Idle, time.Minute)
	return x
}

// begins makes the machine begin a lot.
func (x *run) begins() {
	x.t.Helper()
	x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{5}, Start: true}})
}

func (x *run) inject(kind rig.FaultKind) {
	x.t.Helper()
	if err := x.rig.Inject(rig.Fault{Kind: kind}); err != nil {
		x.t.Fatal(err)
	}
}

// struck is a run with a fault once it has begun, followed by what follows, if anything does, and that
// ends in Aborted within a time of it. Its heaters may stay on.
func struck(t *testing.T, change func(*rig.Settings, *Settings), begin func(*run), kind rig.FaultKind, then func(*run), within time.Duration) (*run, *Snapshot) {
	t.Helper()
	x := lieRun(t, change)
	x.hot = true
	begin(x)
	x.inject(kind)
	if then != nil {
		then(x)
	}
	return x, x.until(Aborted, within)
}

// whole counts the parts of the simulated machine that are as long and as heavy as the first.
func (x *run) whole() (n int) {
	list := x.rig.Parts()
	for _, p := range list {
		if p.ToMM-p.FromMM > list[0].ToMM-list[0].FromMM-0.5 && p.FilamentMM > 0.99*list[0].FilamentMM {
			n++
		}
	}
	return n
}

// TestMainsThatAreGone: a board powered from USB acknowledges every line as executed, and nothing
// heats or moves. No missing part is counted, somebody is called with a text that names the mains, and
// a belt that may not have moved has an uncertain position.
func TestMainsThatAreGone(t *testing.T) {
	for _, c := range few(2, []struct {
		name    string
		change  func(*rig.Settings, *Settings)
		begin   func(x *run) // up to the mains failure
		then    func(x *run)
		within  time.Duration // until it is found
		unknown bool
	}{
		{"before a lot", nil, func(*run) {}, (*run).begins, 5 * time.Minute, false},
		{"while the bed warms up", nil, func(x *run) { x.begins(); time.Sleep(20 * time.Second) }, nil, 5 * time.Minute, false},
		{"while the nozzle warms up", nil, func(x *run) { x.begins(); x.untilDoing("lead-in"); time.Sleep(5 * time.Second) }, nil, 5 * time.Minute, false},
		{"in a part", nil, func(x *run) { x.begins(); x.untilDoing("making part 2"); time.Sleep(time.Minute) }, nil, 2 * time.Minute, true},
		{"while the part cools", nil, func(x *run) {
			x.begins()
			x.untilDoing("making part 2")
			x.untilDoing("cooling")
		}, nil, 5 * time.Minute, true},
		{"before the belt advances, and nothing cools", func(_ *rig.Settings, s *Settings) { s.ReleaseC = 0 }, func(x *run) {
			x.begins()
			x.untilDoing("making part 2")
			for strings.HasPrefix(x.s.Snapshot().Doing, "making part 2") {
				time.Sleep(100 * time.Millisecond)
			}
		}, nil, 3 * time.Minute, true},
		{"while it is held", nil, func(x *run) {
			x.begins()
			x.untilDoing("making part 2")
			x.do(Request{Command: Hold})
			x.until(Held, time.Hour)
			time.Sleep(20 * time.Minute) // the heaters are off by then
		}, func(x *run) { x.do(Request{Command: Unhold}) }, 5 * time.Minute, true},
	}) {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T) {
				x, s := struck(t, c.change, c.begin, rig.NoMains, c.then, c.within)
				if made := x.whole(); s.Lot.Made > made {
					t.Errorf("%d counted as made, %d there", s.Lot.Made, made)
				}
				if s.Cause.Code != CauseHeat || !strings.Contains(s.Cause.Text, "or the machine has no mains power: treat it as live") || !strings.Contains(x.alerts(), "the machine has no mains power") {
					t.Errorf("cause %s: %s; told:\n%s", s.Cause.Code, s.Cause.Text, x.alerts())
				}
				if s.Belt.Clear == c.unknown || strings.Contains(c.name, "advances") && s.Belt.UncertainMM == 0 {
					t.Errorf("belt clear %t, %.1f mm in doubt, %d interrupted", s.Belt.Clear, s.Belt.UncertainMM, s.Lot.Interrupted)
				}
				time.Sleep(25 * time.Minute)
				if s = x.s.Snapshot(); s.Heat.Proved || strings.Contains(x.alerts(), "are shown to be off") {
					t.Errorf("%s; told:\n%s", s.Heat.Proof, x.alerts())
				}
				x.rig.Reset()
				time.Sleep(time.Minute)
			})
		})
	}
}

// TestTheEndOfAPartWithoutMains: a mains failure shortly before the end of a part leaves too little
// time for the heat watch. The part is still not counted, because the nozzle is no longer as hot as it
// was.
func TestTheEndOfAPartWithoutMains(t *testing.T) {
	var whole time.Duration // of the body of part 2
	inBubble(t, func(t *testing.T) {
		x := lieRun(t, nil)
		x.begins()
		x.untilDoing("making part 2")
		for from := time.Now(); strings.HasPrefix(x.s.Snapshot().Doing, "making part 2"); time.Sleep(time.Second) {
			whole = time.Since(from)
		}
		x.stop()
	})
	for _, before := range []time.Duration{40, 20, 10, 5} {
		before *= time.Second
		t.Run(fmt.Sprint(before), func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T) {
				x := lieRun(t, nil)
				x.hot = true
				x.begins()
				x.untilDoing("making part 2")
				time.Sleep(whole - before)
				if doing := x.s.Snapshot().Doing; !strings.HasPrefix(doing, "making part 2") {
					t.Fatalf("%s: this shows nothing", doing)
				}
				x.inject(rig.NoMains)
				s := x.until(Aborted, 5*time.Minute)
				if s.Lot.Made != 1 || s.Lot.Interrupted != 1 || s.Belt.Clear {
					t.Errorf("%d made, %d interrupted, %d whole ones there; belt clear %t: %s", s.Lot.Made, s.Lot.Interrupted, x.whole(), s.Belt.Clear, s.Cause.Text)
				}
				x.rig.Reset()
				time.Sleep(time.Minute)
			})
		})
	}
}

// TestMainsThatComeBack: a mains failure in the middle of a part, shorter than the heat watch needs,
// leaves a part that is not whole.
func TestMainsThatComeBack(t *testing.T) {
	for _, d := range []time.Duration{20 * time.Second, 40 * time.Second} {
		inBubble(t, func(t *testing.T) {
			x := lieRun(t, func(rs *rig.Settings, _ *Settings) { rs.Machine.MinExtrudeC = 0 })
			x.begins()
			x.untilDoing("making part 2")
			time.Sleep(time.Minute)
			if err := x.rig.Inject(rig.Fault{Kind: rig.NoMains, For: d}); err != nil {
				t.Fatal(err)
			}
			s := x.until(Aborted, time.Hour)
			if s.Lot.Made != 1 || s.Lot.Interrupted != 1 || s.Belt.Clear || !strings.Contains(s.Cause.Text, "below its target for a while in part 2") {
				t.Errorf("%v: %d made, %d interrupted, %d whole ones there; belt clear %t: %s", d, s.Lot.Made, s.Lot.Interrupted, x.whole(), s.Belt.Clear, s.Cause.Text)
			}
			x.hot = true
			x.rig.Reset()
			time.Sleep(time.Minute)
		})
	}
}

// TestSwappedSensors: each sensor sits at the other heater. Somebody is called with what to look at,
// and the heater that the board cannot see does not get as hot as it could.
func TestSwappedSensors(t *testing.T) {
	for _, c := range few(2, []struct {
		name   string
		change func(*rig.Settings, *Settings)
		begin  func(x *run)
		then   func(x *run)
		says   string
		within time.Duration
		mostC  float64 // of the nozzle and the bed
	}{
		{"before a lot", nil, func(*run) {}, (*run).begins, "are the two heaters or sensors swapped?", 5 * time.Minute, 90},
		{"while the bed warms up", nil, func(x *run) { x.begins(); time.Sleep(20 * time.Second) }, nil, "are the two heaters or sensors swapped?", 5 * time.Minute, 90},
		{"in a part", nil, func(x *run) { x.begins(); x.untilDoing("making part 2"); time.Sleep(time.Minute) }, nil, "did not push filament", 15 * time.Second, 240},
		{"in a part, and the board pushes cold filament", func(rs *rig.Settings, _ *Settings) { rs.Machine.MinExtrudeC = 0 },
			func(x *run) { x.begins(); x.untilDoing("making part 2"); time.Sleep(time.Minute) }, nil, "above its ceiling of", 15 * time.Second, 240},
	}) {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T) {
				x, s := struck(t, c.change, c.begin, rig.SwappedSensors, c.then, c.within)
				if told := x.alerts(); s.Cause.Code != CauseHeat || !strings.Contains(s.Cause.Text, c.says) || !strings.Contains(told, c.says) {
					t.Errorf("cause %s: %s; told:\n%s", s.Cause.Code, s.Cause.Text, told)
				}
				nozzle, nt, bed, bt := x.rig.Temperatures()
				a, b := x.rig.PowersW()
				if nt+bt != 0 || a+b != 0 || max(nozzle, bed) > c.mostC {
					t.Errorf("nozzle %.0f of %.0f °C, bed %.0f of %.0f, %.0f W", nozzle, nt, bed, bt, a+b)
				}
				if made := x.whole(); s.Lot.Made > made {
					t.Errorf("%d counted as made, %d there", s.Lot.Made, made)
				}
				time.Sleep(25 * time.Minute)
				if s = x.s.Snapshot(); s.Heat.Proved || s.HeatFault == "" {
					t.Errorf("%s; latched %q", s.Heat.Proof, s.HeatFault)
				}
			})
		})
	}
}
