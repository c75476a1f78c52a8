package supervisor

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
)

// making brings a run to the middle of its second part.
func making(t *testing.T, rs rig.Settings, set Settings) *run {
	t.Helper()
	x := newRun(t, rs, set)
	x.start()
	x.until(Idle, time.Minute)
	x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{5}, Start: true}})
	x.until(Execute, 2*time.Hour)
	for s := x.s.Snapshot(); s.Lot.Made == 0 || !strings.HasPrefix(s.Doing, "making part 2"); s = x.s.Snapshot() {
		time.Sleep(time.Second)
	}
	return x
}

// alerts lists the operator's alerts, oldest first.
func (x *run) alerts() string {
	x.t.Helper()
	list, err := x.ledger.PendingAlerts(context.Background(), "any", time.Now(), 100)
	if err != nil {
		x.t.Fatal(err)
	}
	var texts []string
	for _, a := range list {
		texts = append(texts, a.Kind+": "+a.Text)
	}
	return strings.Join(texts, "\n")
}

// TestHeatFaultsEndTheRun injects each fault of a heater into a run and watches the true temperatures:
// the run ends with the part interrupted and the count right, the heaters are commanded off, and the
// operator learns whether they are off.
func TestHeatFaultsEndTheRun(t *testing.T) {
	for _, c := range few(3, []struct {
		fault             rig.Fault
		says              string // one of these, between bars
		within            time.Duration
		made, interrupted int
		proved            bool
		mostC             float64 // of the body, nozzle or bed, before it is off
	}{
		// A heater that fails and a sensor that slips out of its seat look alike: neither is proof. A
		// board may refuse to push filament before the nozzle has been cold for long.
		{rig.Fault{Kind: rig.NoHeat}, "nozzle had reached 205|did not push filament", 3 * time.Minute, 1, 1, false, 206},
		// The bed is switched off between parts: that is noticed when the third is about to begin, and
		// nothing of that one is laid.
		{rig.Fault{Kind: rig.NoHeat, Bed: true}, "bed is at", 15 * time.Minute, 2, 0, false, 206},
		{rig.Fault{Kind: rig.FullHeat}, "nozzle is at 23", 2 * time.Minute, 1, 1, false, 270},
		{rig.Fault{Kind: rig.FullHeat, Bed: true}, "bed has risen", 2 * time.Minute, 1, 1, false, 206},
		{rig.Fault{Kind: rig.BrokenSensor}, "nozzle shows -14.0|did not push filament", time.Minute, 1, 1, false, 260},
		{rig.Fault{Kind: rig.BrokenSensor, Bed: true}, "bed shows -14.0", time.Minute, 1, 1, false, 206},
		{rig.Fault{Kind: rig.Retarget}, "target is 225 °C, but beltwarden set 205", time.Minute, 1, 1, true, 226},
		{rig.Fault{Kind: rig.Retarget, Bed: true}, "target is 80 °C, but beltwarden set 60", time.Minute, 1, 1, true, 206},
	}) {
		t.Run(c.fault.String(), func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T) {
				set := testSettings()
				set.NozzleWatch, set.BedWatch = heat.NozzleLimits(260, heat.OverC), heat.BedLimits(100, heat.OverC)
				x := making(t, testRig(), set)
				x.hot = true
				if err := x.rig.Inject(c.fault); err != nil {
					t.Fatal(err)
				}
				s := x.until(Aborted, c.within)
				if s.Cause.Code != CauseHeat || !slices.ContainsFunc(strings.Split(c.says, "|"), func(w string) bool { return strings.Contains(s.Cause.Text, w) }) {
					t.Errorf("cause %s: %s; want %q", s.Cause.Code, s.Cause.Text, c.says)
				}
				nozzle, nt, bed, bt := x.rig.Temperatures()
				if nt != 0 || bt != 0 || max(nozzle, bed) > c.mostC {
					t.Errorf("targets %.0f and %.0f, bodies at %.0f and %.0f °C", nt, bt, nozzle, bed)
				}
				if s.Lot.Made != c.made || s.Lot.Interrupted != c.interrupted {
					t.Errorf("%d made, %d interrupted", s.Lot.Made, s.Lot.Interrupted)
				}
				time.Sleep(10 * time.Minute)
				s = x.s.Snapshot()
				told := x.alerts()
				want := map[bool]string{true: "heat_off: the heaters are shown to be off: ", false: "NOT shown to be off: "}[c.proved]
				if s.Heat.Proved != c.proved || s.Heat.ProofFailed == c.proved || !strings.Contains(told, want) {
					t.Errorf("proof: %v, %s\n%s", s.Heat.Proved, s.Heat.Proof, told)
				}
			})
		})
	}
}

// TestMovedMeanwhile: moving an axis at the panel while the machine is held ends the run, before it
// continues from a position that is not what it assumes.
func TestMovedMeanwhile(t *testing.T) {
	for axis, name := range []string{"X", "Y", "Z"} {
		inBubble(t, func(t *testing.T) {
			x := making(t, testRig(), testSettings())
			x.do(Request{Command: Hold})
			x.until(Held, 2*time.Hour)
			x.rig.Jog(axis, 3)
			x.do(Request{Command: Unhold})
			s := x.until(Aborted, 10*time.Minute)
			if s.Cause.Code != CauseBoard || !strings.Contains(s.Cause.Text, "the board is at "+name) || !strings.Contains(s.Cause.Text, "moved the machine meanwhile") {
				t.Errorf("%s", s.Cause.Text)
			}
			if made := len(x.rig.Parts()); s.Lot.Made != made {
				t.Errorf("%d made by the ledger, %d by the machine", s.Lot.Made, made)
			}
			// The belt's own totals do not include that, so they become uncertain.
			if want := map[string]float64{"Y": 3}[name]; math.Abs(s.Belt.UncertainMM-want) > 0.1 {
				t.Errorf("%s: %.2f mm of travel in doubt, want %.2f", name, s.Belt.UncertainMM, want)
			}
		})
	}
}

// TestNotAllTheWayOut: a belt that has not run the parts over the drop edge is not clear, whatever was
// sent to it.
func TestNotAllTheWayOut(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.ClearAtEnd = true
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}})
		x.untilDoing("running the parts over the drop edge")
		x.rig.Jog(1, -5)
		s := x.until(Aborted, time.Hour)
		if !strings.Contains(s.Cause.Text, "parts may still be on the belt") || s.Belt.Clear || s.Lot.Made != 1 || s.Belt.UncertainMM < 5 {
			t.Errorf("%s; clear %t, %d made, %.2f mm in doubt", s.Cause.Text, s.Belt.Clear, s.Lot.Made, s.Belt.UncertainMM)
		}
		x.stop()
	})
}

// TestAStuckSensorProvesNothing: a nozzle whose sensor has been stuck since before it was heated is
// hot and reads cold. The machine never reports it as off, on the screen or by a call, however often
// the cable or the daemon is interrupted.
func TestAStuckSensorProvesNothing(t *testing.T) {
	for name, then := range map[string]func(x *run){
		"found by its fault":           func(*run) {},
		"cable out before it is found": func(x *run) { time.Sleep(20 * time.Second); x.unplug() },
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				set := testSettings()
				set.NozzleWatch, set.BedWatch = heat.NozzleLimits(260, heat.OverC), heat.BedLimits(100, heat.OverC)
				rs := testRig()
				rs.Board = rig.Variations()["lasting"]
				x := newRun(t, rs, set)
				x.hot = true
				if err := x.rig.Inject(rig.Fault{Kind: rig.StuckSensor}); err != nil {
					t.Fatal(err)
				}
				x.start()
				x.until(Idle, time.Minute)
				x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}})
				for _, target, _, _ := x.rig.Temperatures(); target < 200; _, target, _, _ = x.rig.Temperatures() {
					time.Sleep(time.Second)
				}
				then(x)
				time.Sleep(15 * time.Minute)
				s, told := x.s.Snapshot(), x.alerts()
				if s.Heat.Proved || strings.Contains(told, "heat_off") || strings.Contains(told, "are shown to be off") {
					t.Errorf("%s: proved %v, %s; told:\n%s", s.State, s.Heat.Proved, s.Heat.Proof, told)
				}
				if !strings.Contains(told, "NOT shown to be off: nozzle") || !strings.Contains(told, "its sensor is in doubt") {
					t.Errorf("%s; told:\n%s", s.State, told)
				}
				x.rig.Reset()
				time.Sleep(time.Minute)
			})
		})
	}
}

// TestSwitchedOnAgainAtThePanel: a proof after a fault is revoked once a target appears, and somebody
// is called.
func TestSwitchedOnAgainAtThePanel(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := making(t, testRig(), testSettings())
		x.do(Request{Command: Abort})
		x.until(Aborted, 2*time.Minute)
		x.rig.Reset()
		time.Sleep(10 * time.Minute)
		if s := x.s.Snapshot(); !s.Heat.Proved {
			t.Fatalf("%s", s.Heat.Proof)
		}
		if err := x.rig.Inject(rig.Fault{Kind: rig.Retarget}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(15 * time.Second)
		if told := x.alerts(); !strings.Contains(told, "a heater may be on again: nozzle was shown to be off, but the board reports a target of 20 °C for it") {
			t.Errorf("told:\n%s", told)
		}
		if _, target, _, _ := x.rig.Temperatures(); target != 0 {
			t.Errorf("the target is still %.0f °C", target)
		}
	})
}

// TestWarmedAtThePanelAtRest: a board found hot is shown to be off. Somebody may then heat the nozzle
// at the panel for a while, and the machine stops reporting it as off.
func TestWarmedAtThePanelAtRest(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		rs := testRig()
		rs.Board = rig.Variations()["lasting"]
		x := newRun(t, rs, testSettings())
		for range 5 {
			_ = x.rig.Inject(rig.Fault{Kind: rig.Retarget})
		}
		time.Sleep(10 * time.Minute)
		x.start()
		x.until(Idle, time.Minute)
		time.Sleep(10 * time.Minute)
		if s := x.s.Snapshot(); !s.Heat.Proved {
			t.Fatalf("%s", s.Heat.Proof)
		}
		for range 5 {
			_ = x.rig.Inject(rig.Fault{Kind: rig.Retarget})
		}
		time.Sleep(time.Minute)
		s, told := x.s.Snapshot(), x.alerts()
		if _, target, _, _ := x.rig.Temperatures(); target != 100 || s.Heat.Proved || !strings.Contains(told, "a heater may be on again: nozzle") {
			t.Errorf("target %.0f °C, proved %v, told:\n%s", target, s.Heat.Proved, told)
		}
		time.Sleep(30 * time.Minute)
		if _, target, _, _ := x.rig.Temperatures(); target != 0 {
			t.Errorf("the target is still %.0f °C", target)
		}
	})
}

// TestAVanishedSensorIsAFault: when the board reports no temperature of a heater, or an impossible
// one, it drives that heater believing it cold. Neither the other heater's readings nor old ones hide
// that.
func TestAVanishedSensorIsAFault(t *testing.T) {
	for _, kind := range few(1, []rig.FaultKind{rig.MissingSensor, rig.NanSensor, rig.FloorSensor, rig.TopSensor}) {
		for _, bed := range []bool{false, true} {
			for _, warmingUp := range []bool{true, false} {
				fault := rig.Fault{Kind: kind, Bed: bed}
				t.Run(fmt.Sprintf("%s, warming up %t", fault, warmingUp), func(t *testing.T) {
					t.Parallel()
					inBubble(t, func(t *testing.T) {
						set := testSettings()
						set.NozzleWatch, set.BedWatch = heat.NozzleLimits(260, heat.OverC), heat.BedLimits(100, heat.OverC)
						var x *run
						if warmingUp {
							x = newRun(t, testRig(), set)
							x.start()
							x.until(Idle, time.Minute)
							x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{5}, Start: true}})
							time.Sleep(30 * time.Second)
						} else {
							x = making(t, testRig(), set)
						}
						x.hot = true
						if err := x.rig.Inject(fault); err != nil {
							t.Fatal(err)
						}
						within := 30 * time.Second
						if kind == rig.MissingSensor && bed {
							within = bedMissingFor + 10*time.Second
						}
						s := x.until(Aborted, within)
						if s.Cause.Code != CauseHeat || s.HeatFault == "" {
							t.Errorf("cause %s: %s; latched %q", s.Cause.Code, s.Cause.Text, s.HeatFault)
						}
						time.Sleep(10 * time.Minute)
						s = x.s.Snapshot()
						if has := map[bool]bool{true: s.Heat.HasBed, false: s.Heat.HasNozzle}[bed]; has || s.Heat.Proved || !strings.Contains(x.alerts(), "NOT shown to be off") {
							t.Errorf("shown as told: %t; proved %t: %s\n%s", has, s.Heat.Proved, s.Heat.Proof, x.alerts())
						}
						x.rig.Reset()
						time.Sleep(time.Minute)
					})
				})
			}
		}
	}
}

// TestAWaitTakesNoOldReading: a heater missing from the newest report does not end a wait.
func TestAWaitTakesNoOldReading(t *testing.T) {
	now := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	for name, w := range map[string]wait{"nozzle warm": {nozzleFromC: 200}, "nozzle cool": {nozzleToC: 210}, "bed warm": {bedFromC: 55}, "bed cool": {bedToC: 65}} {
		m := newMachine(testSettings())
		m.now = now
		m.guard = heat.NewGuard(m.set.NozzleWatch, m.set.BedWatch)
		w.since = now
		m.work.waiting = &w
		reads := func(after time.Duration, t serialio.Temps) {
			m.temps.read = now.Add(after)
			m.temps.update(t, m.temps.read)
			if t.HasNozzle {
				m.guard.Observe(heat.Nozzle, heat.Reading{At: after, C: t.NozzleC}, 0, &heat.Model{})
			}
			if t.HasBed {
				m.guard.Observe(heat.Bed, heat.Reading{At: after, C: t.BedC}, 0, &heat.Model{})
			}
		}
		for after := range 3 * time.Second / time.Second {
			reads((after+1)*time.Second, serialio.Temps{HasNozzle: true, NozzleC: 205, HasBed: true, BedC: 60})
		}
		if !m.waitMet() {
			t.Errorf("%s: not met by a reading that meets it", name)
		}
		newer := serialio.Temps{HasNozzle: true, NozzleC: 205}
		if w.nozzleFromC+w.nozzleToC > 0 {
			newer = serialio.Temps{HasBed: true, BedC: 60}
		}
		reads(5*time.Second, newer)
		if m.waitMet() {
			t.Errorf("%s: met by an old reading", name)
		}
	}
}
