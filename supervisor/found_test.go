package supervisor

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
)

// warmAtPanel is somebody who sets the nozzle to 200 °C at the machine's own panel.
func (x *run) warmAtPanel() {
	x.t.Helper()
	for range 10 {
		if err := x.rig.Inject(rig.Fault{Kind: rig.Retarget}); err != nil {
			x.t.Fatal(err)
		}
	}
}

// TestABoardFoundHot: heaters that are on when the daemon starts, with no lot running, are switched
// off, and somebody is called about it and about the proof.
func TestABoardFoundHot(t *testing.T) {
	for _, proved := range []bool{true, false} {
		inBubble(t, func(t *testing.T) {
			rs := testRig()
			rs.Board = rig.Variations()["lasting"]
			x := newRun(t, rs, testSettings())
			x.warmAtPanel()
			time.Sleep(10 * time.Minute)
			if c, target, _, _ := x.rig.Temperatures(); c < 190 || target < 190 {
				t.Fatalf("the nozzle is at %.0f of %.0f °C: this shows nothing", c, target)
			}
			if !proved {
				_ = x.rig.Inject(rig.Fault{Kind: rig.FullHeat})
			}
			x.start()
			time.Sleep(10 * time.Minute)
			_, target, _, _ := x.rig.Temperatures()
			told := x.alerts()
			if s := x.s.Snapshot(); target != 0 || !strings.Contains(told, "found with a heater on and no lot running: nozzle at ") || s.Heat.Proved != proved {
				t.Errorf("target %.0f °C, proved %t, told:\n%s", target, s.Heat.Proved, told)
			}
			if proved {
				return
			}
			if !strings.Contains(told, "the heaters are NOT shown to be off") {
				t.Errorf("told:\n%s", told)
			}
			x.cancel()
			x.cancel = nil
			if err := <-x.ended; !errors.Is(err, ErrHot) {
				t.Errorf("the daemon ends with %v", err)
			}
			x.ledger.Close()
		})
	}
}

// TestAHeaterSwitchedOnWhileTheCableIsOut: a board that comes back is queried without any request, and
// what somebody has switched on in the meantime is switched off and reported.
func TestAHeaterSwitchedOnWhileTheCableIsOut(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		rs := testRig()
		rs.Board = rig.Variations()["lasting"]
		x := newRun(t, rs, testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.rig.Unplug()
		x.until(Stopped, time.Minute)
		x.warmAtPanel()
		time.Sleep(20 * time.Minute)
		x.rig.Replug()
		time.Sleep(5 * time.Minute)
		_, target, _, _ := x.rig.Temperatures()
		if s, told := x.s.Snapshot(), x.alerts(); target != 0 || !s.Line.Connected || !strings.Contains(told, "found with a heater on and no lot running: nozzle at ") {
			t.Errorf("%s, connected %t, target %.0f °C, told:\n%s", s.State, s.Line.Connected, target, told)
		}
	})
}

// TestARestartShowsNoHeaterOff: the restart of a board, as many do when their port is opened, does not
// show a failed transistor to be off.
func TestARestartShowsNoHeaterOff(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := making(t, testRig(), testSettings())
		x.hot = true
		for _, f := range []rig.Fault{{Kind: rig.FullHeat}, {Kind: rig.Unplug, For: 5 * time.Second, Restart: true}} {
			if err := x.rig.Inject(f); err != nil {
				t.Fatal(err)
			}
		}
		for range 120 {
			time.Sleep(5 * time.Second)
			s := x.s.Snapshot()
			if s.Recovery == nil {
				continue
			}
			for _, sure := range s.Recovery.Certain {
				if strings.Contains(sure, "heater") {
					t.Fatalf("certain: %q", sure)
				}
			}
		}
		if s := x.s.Snapshot(); s.Recovery == nil || !slices.ContainsFunc(s.Recovery.Certain, func(c string) bool { return strings.Contains(c, "the board has restarted") }) {
			t.Errorf("%+v: this shows nothing", s.Recovery)
		}
		x.rig.Reset()
		time.Sleep(time.Minute)
	})
}
