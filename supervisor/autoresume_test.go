package supervisor

import (
	"context"
	"errors"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/ledger"
)

// reheating is a lot of five on a board that does not restart, stopped while the machine heats for the
// third part: the second was moved off and nothing lies under the head.
func reheating(t *testing.T, perDay int) *run {
	t.Helper()
	set := testSettings()
	set.AutoResumePerDay, set.AutoResumeAfter = perDay, 5*time.Minute
	rs := testRig()
	rs.Board = rig.Variations()["lasting"]
	x := making(t, rs, set)
	x.heats(3)
	return x
}

// heats waits until the machine heats for a part.
func (x *run) heats(part int) {
	x.t.Helper()
	for end := time.Now().Add(3 * time.Hour); ; time.Sleep(200 * time.Millisecond) {
		s := x.s.Snapshot()
		if s.State == Execute && s.Lot.Part == part && s.Doing == "heating" {
			return
		}
		if time.Now().After(end) {
			x.t.Fatalf("%s, %s, part %d: it does not heat for part %d", s.State, s.Doing, s.Lot.Part, part)
		}
	}
}

// unplug takes the cable out for a minute.
func (x *run) unplug() {
	x.rig.Unplug()
	time.Sleep(time.Minute)
	x.rig.Replug()
}

// TestGoesOnByItself: a cable that comes out while the machine heats between two parts requires nobody
// to come, as often in a day as the owner allows. The machine announces it beforehand.
func TestGoesOnByItself(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := reheating(t, 2)
		x.unplug()
		x.until(Aborted, 10*time.Minute)
		time.Sleep(4 * time.Minute)
		s := x.s.Snapshot()
		if s.State != Aborted || s.Recovery.ResumesAt == nil || s.Lot.Interrupted != 0 || !s.Belt.Clear {
			t.Fatalf("%s, %d interrupted, clear %t: %+v", s.State, s.Lot.Interrupted, s.Belt.Clear, s.Recovery)
		}
		if _, nt, _, bt := x.rig.Temperatures(); nt != 0 || bt != 0 {
			t.Errorf("targets %.0f and %.0f °C while it waits", nt, bt)
		}
		x.until(Execute, time.Hour)
		if told := x.alerts(); !strings.Contains(told, "go_on: keep hands off: the machine resumes by itself at ") || !strings.Contains(told, "for the first of at most 2 times a day") {
			t.Errorf("told:\n%s", told)
		}
		for s = x.s.Snapshot(); s.Lot.Made < 3; s = x.s.Snapshot() {
			time.Sleep(time.Second)
		}
		x.heats(5)
		x.unplug()
		x.until(Aborted, 10*time.Minute)
		x.until(Complete, 3*time.Hour)
		c := x.counts(1)
		if made := len(x.rig.Parts()); made != 5 || c.Made != 5 || c.CyclesBegun != 5 || c.Void != 2 || c.Interrupted != 0 || c.Scrap != 0 {
			t.Errorf("the machine made %d; %+v", made, c)
		}
	})
}

// TestGoesOnNoOftener: not a third time where two are allowed, even if the daemon was restarted in
// between.
func TestGoesOnNoOftener(t *testing.T) {
	withoutRace(t)
	inBubble(t, func(t *testing.T) {
		x := reheating(t, 1)
		x.unplug()
		x.until(Aborted, 10*time.Minute)
		x.until(Execute, time.Hour)
		x.do(Request{Command: Stop})
		x.until(Stopped, time.Hour)
		x.stop()
		x.start()
		x.until(Idle, time.Hour)
		x.do(Request{Visit: &Visit{BeltCleared: true, Interrupted: interruptedWord(x.s.Snapshot())}})
		x.do(Request{Command: Start})
		made := x.s.Snapshot().Lot.Made
		for x.s.Snapshot().Lot.Made == made {
			time.Sleep(time.Second)
		}
		x.heats(x.s.Snapshot().Lot.Part + 1)
		x.unplug()
		x.until(Aborted, 10*time.Minute)
		time.Sleep(time.Hour)
		if s := x.s.Snapshot(); s.State != Aborted || !strings.Contains(s.Recovery.ResumeBlockedBy, "1 time within a day") {
			t.Fatalf("%s: %+v", s.State, s.Recovery)
		}
		x.do(Request{Visit: &Visit{BeltCleared: true}}) // would make a check due, but is a command
		time.Sleep(24 * time.Hour)
		if s := x.s.Snapshot(); s.State != Aborted || s.Recovery.ResumeBlockedBy != "somebody is dealing with it" {
			t.Errorf("a day later it is %s: %+v", s.State, s.Recovery)
		}
	})
}

func interruptedWord(s *Snapshot) string {
	if s.Lot.Interrupted > 0 {
		return "scrap"
	}
	return ""
}

// TestNeverGoesOnByItself where somebody must have looked, or wants it to stay.
func TestNeverGoesOnByItself(t *testing.T) {
	all := map[string]struct {
		perDay int
		does   func(x *run)
		says   string // what blocks it; "" if it is never a question
	}{
		"not chosen":  {0, (*run).unplug, ""},
		"in the part": {3, func(x *run) { time.Sleep(5 * time.Minute); x.unplug() }, "something may be under the head"},
		"a board that restarts": {3, func(x *run) {
			x.rig.Unplug()
			x.rig.Reset()
			time.Sleep(time.Minute)
			x.rig.Replug()
		}, "the board has restarted"},
		"a board that restarts, and a cable that comes out again": {3, func(x *run) {
			x.rig.Unplug()
			x.rig.Reset()
			time.Sleep(time.Minute)
			x.rig.Replug()
			x.until(Aborted, 10*time.Minute)
			time.Sleep(time.Minute)
			x.unplug()
		}, "the board has restarted"},
		"restart announced":   {3, func(x *run) { x.rig.Reset() }, "after this kind of fault"},
		"heater":              {3, func(x *run) { _ = x.rig.Inject(rig.Fault{Kind: rig.BrokenSensor}) }, "after this kind of fault"},
		"operator's abort":    {3, func(x *run) { x.do(Request{Command: Abort}) }, "after this kind of fault"},
		"held":                {3, func(x *run) { x.do(Request{Command: Hold}); x.until(Held, 2*time.Hour); x.unplug() }, "the machine was Held"},
		"somebody says no":    {3, func(x *run) { x.unplug(); time.Sleep(2 * time.Minute); x.do(Request{Acknowledge: true}) }, "somebody is dealing with it"},
		"somebody is refused": {3, func(x *run) { x.unplug(); time.Sleep(2 * time.Minute); x.refuse(Request{Command: Unhold}) }, "somebody is dealing with it"},
	}
	for _, name := range few(3, slices.Collect(maps.Keys(all))) {
		c := all[name]
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T) {
				x := reheating(t, c.perDay)
				x.hot = name == "heater"
				c.does(x)
				x.until(Aborted, 30*time.Minute)
				time.Sleep(3 * time.Hour)
				s := x.s.Snapshot()
				if s.State != Aborted || s.Recovery == nil || s.Recovery.ResumesAt != nil {
					t.Fatalf("%s: %+v", s.State, s.Recovery)
				}
				if !strings.Contains(s.Recovery.ResumeBlockedBy, c.says) || (c.says == "") != (s.Recovery.ResumeBlockedBy == "") {
					t.Errorf("in its way: %q, want %q", s.Recovery.ResumeBlockedBy, c.says)
				}
				if c := x.counts(1); c.Made != s.Lot.Made || c.Made < 2 || c.Made > 3 {
					t.Errorf("%+v", c)
				}
				x.rig.Reset() // some of the boards are halted
				time.Sleep(time.Minute)
			})
		})
	}
}

// TestGoesOnAfterTheDaemon was killed where the ledger shows that no part was begun: while it heated
// again after a hold, but not during the lead-in, which may have laid something. Nor does it resume
// where a check is due, or where the ledger refuses records in the meantime and so lacks the
// announcement.
func TestGoesOnAfterTheDaemon(t *testing.T) {
	for _, c := range []struct{ due, refused bool }{{}, {due: true}, {refused: true}} {
		due := c.due
		for was, goes := range map[State]bool{Unholding: true, Unsuspending: true, Execute: true, Starting: false, Holding: false, Held: false, Completing: false, Stopping: false, Aborting: false} {
			l, _ := killed(t)
			keep(t, l, ledger.CycleMade{Seq: 1, Evidence: ledger.EvidenceConfirmed, Belt: ledger.Belt{TravelMM: 200, Known: true}},
				ledger.CycleDischarged{Seq: 1, Belt: ledger.Belt{TravelMM: 230, Known: true}}, ledger.StateChanged{State: was.String()})
			set := testSettings()
			set.AutoResumePerDay = 1
			if due {
				set.CheckEveryParts = 1
			}
			now := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
			m, err := NewMachine(context.Background(), set, l, (&run{opts: testJobOptions()}).inspect, "test", now)
			if err != nil {
				t.Fatal(err)
			}
			keep(t, l, m.Begin(now).Records...)
			step := func(ev Event) {
				keep(t, l, m.Step(now, ev).Records...)
			}
			step(LinkFailed{errors.New("busy")})
			step(LinkSynced{LastNumber: 77})
			step(Reported{serialio.Reply{HasPosition: true}})
			step(ProgramDone{m.work.running})
			for i := range 80 { // a machine that was just hot, and cools: a cold one would prove nothing
				now = now.Add(5 * time.Second)
				left := math.Exp(-float64(i) / 30)
				if c.refused && m.timers.armed(timerResume) {
					step(LedgerFailed{Err: errors.New("no room on the disk")})
				}
				step(Reported{serialio.Reply{Temps: serialio.Temps{HasNozzle: true, NozzleC: 24 + 150*left, HasBed: true, BedC: 23 + 35*left}}})
				if at, ok := m.Deadline(); ok && !at.After(now) {
					step(Tick{})
				}
			}
			if went := m.State() == Clearing; went != (goes && !due && !c.refused) {
				t.Errorf("killed in %s, %+v: it is %s (%s), in its way: %s", was, c, m.State(), m.cause.Text, m.autoResumeBlockedBy())
			}
		}
	}
}
