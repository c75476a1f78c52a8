package supervisor

import (
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/heat"
)

// restart ends the process and starts another on the same ledger. How it ended does not matter.
func (x *run) restart() {
	x.t.Helper()
	x.cancel()
	<-x.ended
	x.cancel = nil
	x.ledger.Close()
	x.start()
}

// TestAHeatFaultIsLatched: no restart of the daemon and no power cut removes it, nothing heats before
// somebody has stated what was repaired, and that text is recorded.
func TestAHeatFaultIsLatched(t *testing.T) {
	withoutRace(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.AutoResumePerDay = 3
		set.NozzleWatch, set.BedWatch = heat.NozzleLimits(260, heat.OverC), heat.BedLimits(100, heat.OverC)
		rs := testRig()
		rs.Board = rig.Variations()["lasting"]
		x := making(t, rs, set)
		if err := x.rig.Inject(rig.Fault{Kind: rig.BrokenSensor}); err != nil {
			t.Fatal(err)
		}
		first := x.until(Aborted, 5*time.Minute)
		fault := first.HeatFault
		x.do(Request{Visit: &Visit{BeltCleared: true, Interrupted: "scrap"}})
		for n := range 3 {
			x.rig.Reset()
			time.Sleep(time.Hour)
			x.restart()
			time.Sleep(time.Hour)
			s := x.s.Snapshot()
			if s.State != Aborted || fault == "" || s.HeatFault != fault || s.Cause.Code != CauseHeat || !strings.Contains(s.Cause.Text, fault) {
				t.Fatalf("after %d restarts it is %s: %s %s; latched %q, want %q", n+1, s.State, s.Cause.Code, s.Cause.Text, s.HeatFault, fault)
			}
			if d := s.Since.Sub(first.Since).Abs(); d > time.Second {
				t.Errorf("it is Aborted since %v, not %v", s.Since, first.Since)
			}
			if !strings.HasPrefix(s.Advice, "switch the machine off at the mains") || s.Heat.Proved {
				t.Errorf("proved %v, advice %q", s.Heat.Proved, s.Advice)
			}
			if o := s.Recovery.Options; len(o) == 0 || o[0].Name != "mend" {
				t.Errorf("offers %+v", o)
			}
			for _, r := range []Request{{Command: Start}, {Command: Reset}, {Command: Clear}, {Command: Clear, Continue: true},
				{Command: Clear, Repair: "  "}, {Command: Clear, Repair: "12"}, {Command: Clear, Repair: "new sensor", Continue: true}} {
				x.refuse(r)
			}
			if _, nt, _, bt := x.rig.Temperatures(); nt != 0 || bt != 0 {
				t.Errorf("heats for %.0f and %.0f °C", nt, bt)
			}
		}
		x.do(Request{Command: Clear, Repair: "new sensor at the nozzle"})
		x.until(Stopped, 5*time.Minute)
		kept, err := x.ledger.EventsOf(t.Context(), eventHeatRepaired, 10)
		if err != nil || len(kept) != 1 || !strings.Contains(kept[0].Text, "new sensor at the nozzle; it was: "+fault) {
			t.Errorf("kept: %+v %v", kept, err)
		}
		if s := x.s.Snapshot(); s.HeatFault != "" {
			t.Errorf("still latched: %s", s.HeatFault)
		}
	})
}

// TestASilentBedIsNotOff: a bed that the last process had heated, and that the board no longer
// reports, does not count as off until somebody has stated what happened to it.
func TestASilentBedIsNotOff(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := making(t, testRig(), testSettings())
		x.hot = true
		for _, f := range []rig.Fault{{Kind: rig.MissingSensor, Bed: true}, {Kind: rig.FullHeat, Bed: true}} {
			if err := x.rig.Inject(f); err != nil {
				t.Fatal(err)
			}
		}
		x.restart()
		time.Sleep(30 * time.Minute)
		s := x.s.Snapshot()
		if s.Heat.Proved || !strings.Contains(s.Heat.Proof, "NOT shown to be off") || !strings.Contains(s.Heat.Proof, "bed") {
			t.Fatalf("proved %v: %s", s.Heat.Proved, s.Heat.Proof)
		}
		if said := x.alerts(); !strings.Contains(said, "NOT shown to be off") {
			t.Errorf("the operator was told:\n%s", said)
		}
		x.do(Request{Command: Abort})
		if s = x.until(Aborted, 10*time.Minute); s.HeatFault != "" {
			t.Fatalf("latched: %s", s.HeatFault)
		}
		if o := s.Recovery.Options; len(o) == 0 || o[0].Name != "mend" {
			t.Errorf("offers %+v", o)
		}
		x.rig.Reset()
		x.do(Request{Command: Clear, Repair: "the bed's heater is taken out"})
		x.until(Stopped, 5*time.Minute)
		time.Sleep(10 * time.Minute)
		if s := x.s.Snapshot(); !s.Heat.Proved && strings.Contains(s.Heat.Proof, "bed") {
			t.Errorf("a bed that was taken away: %s", s.Heat.Proof)
		}
		x.restart()
		x.until(Idle, 10*time.Minute)
		if s := x.s.Snapshot(); strings.Contains(s.Heat.Proof, "bed") {
			t.Errorf("a bed that was taken away, after a restart: %s", s.Heat.Proof)
		}
	})
}

// TestAbortedStaysAborted over a restart also after other faults, with its cause, until Clear.
func TestAbortedStaysAborted(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := making(t, testRig(), testSettings())
		x.unplug()
		was := x.until(Aborted, 10*time.Minute).Cause
		for range 2 {
			x.restart()
			time.Sleep(10 * time.Minute)
			if s := x.s.Snapshot(); s.State != Aborted || s.Cause != was {
				t.Fatalf("it is %s: %+v, want %+v", s.State, s.Cause, was)
			}
			x.refuse(Request{Command: Reset})
		}
		x.do(Request{Command: Clear})
		x.until(Stopped, 5*time.Minute)
	})
}

// TestCallsAtOnce: a fault found with heaters on calls somebody within one step. What became of the
// heaters follows in a second message.
func TestCallsAtOnce(t *testing.T) {
	for name, c := range map[string]struct {
		does func(x *run)
		says string
	}{
		"cable": {func(x *run) { x.rig.Unplug() }, "link: the board is out of reach, and its heaters (last read: nozzle 205 °C, bed "},
		"board": {func(x *run) { x.rig.Reset() }, "board: the board is out of reach, and its heaters (last read: nozzle 205 °C, bed "},
		"heat":  {func(x *run) { _ = x.rig.Inject(rig.Fault{Kind: rig.BrokenSensor}) }, "heat: heaters are being switched off"},
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				set := testSettings()
				set.NozzleWatch, set.BedWatch = heat.NozzleLimits(260, heat.OverC), heat.BedLimits(100, heat.OverC)
				x := making(t, testRig(), set)
				c.does(x)
				for x.s.Snapshot().State == Execute {
					time.Sleep(100 * time.Millisecond)
				}
				if told := x.alerts(); !strings.Contains(told, c.says) {
					t.Errorf("%s, told:\n%s", x.s.Snapshot().State, told)
				}
				if o := x.s.Snapshot().Recovery.Options; name == "cable" && (o[0].Name != "connect" || !strings.HasPrefix(o[0].Text, "switch off at the mains")) {
					t.Errorf("with the cable out it offers first: %+v", o)
				}
				x.until(Aborted, 2*time.Minute)
				if told := x.alerts(); strings.Count(told, "\n") < 1 {
					t.Errorf("nobody is told what became of it:\n%s", told)
				}
				x.rig.Replug()
				x.rig.Reset()
				time.Sleep(15 * time.Minute)
			})
		})
	}
}

// TestCableOutAtRestWithAHeaterOn calls somebody: the heater was switched on at the panel, and cannot
// be switched off from here.
func TestCableOutAtRestWithAHeaterOn(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		rs := testRig()
		rs.Board = rig.Variations()["lasting"]
		x := newRun(t, rs, testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.warmAtPanel()
		time.Sleep(4 * time.Minute)
		x.rig.Unplug()
		time.Sleep(5 * time.Second)
		if told := x.alerts(); !strings.Contains(told, "link: the board is out of reach, and its heaters (last read: nozzle ") {
			t.Errorf("told:\n%s", told)
		}
		x.rig.Replug()
		time.Sleep(15 * time.Minute)
	})
}

// TestWhatWasShownStandsOverARestart: in Aborted nothing is heated, so a cold machine whose heaters
// were shown to be off calls nobody each time the daemon restarts. One that was not shown to be off
// does, and so does one whose board reports a target.
func TestWhatWasShownStandsOverARestart(t *testing.T) {
	withoutRace(t)
	for name, c := range map[string]struct {
		does  func(x *run)
		calls bool
	}{
		"shown": {func(x *run) { x.rig.Unplug(); time.Sleep(20 * time.Second); x.rig.Replug() }, false},
		"never shown": {func(x *run) {
			_ = x.rig.Inject(rig.Fault{Kind: rig.NoHeat})
			time.Sleep(10 * time.Minute)
			x.rig.Reset()
		}, true},
		"on at the panel": {func(x *run) { x.rig.Unplug(); time.Sleep(20 * time.Second); x.rig.Replug() }, true},
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				set := testSettings()
				set.NozzleWatch, set.BedWatch = heat.NozzleLimits(260, heat.OverC), heat.BedLimits(100, heat.OverC)
				rs := testRig()
				rs.Board = rig.Variations()["lasting"]
				x := making(t, rs, set)
				c.does(x)
				x.until(Aborted, 5*time.Minute)
				time.Sleep(2 * time.Hour)
				if got := x.s.Snapshot().Heat.Proved; got != (name != "never shown") {
					t.Fatalf("shown to be off: %v\n%s", got, x.alerts())
				}
				before := len(x.alerts())
				for range 2 {
					if name == "on at the panel" {
						x.warmAtPanel()
						time.Sleep(time.Second)
					}
					x.restart()
					time.Sleep(15 * time.Minute)
				}
				if told := x.alerts()[before:]; strings.Contains(told, "heat: ") != c.calls {
					t.Errorf("told:\n%s", told)
				}
				x.restart()
				x.cancel() // at once: nothing has been shown by then
				<-x.ended
				x.cancel = nil
				x.ledger.Close()
			})
		})
	}
}
