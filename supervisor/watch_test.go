package supervisor

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/job"
)

// pausingJob waits in its lead-in for somebody to press a button.
const pausingJob = `G21
G90
M82
M140 S60
M109 S200
M0 Load the belt
G28
G92 E0
G1 X10 Y5 Z0.2 F3000
G1 X30 Y5 E2 F900
G1 X30 Y15 E3
M104 S0
M140 S0
`

// TestBoardThatWaitsForSomebody: a job that pauses with heaters on, and nobody there, must not stay
// hot forever.
func TestBoardThatWaitsForSomebody(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "pausing.gcode")
		if err := os.WriteFile(path, []byte(pausingJob), 0o600); err != nil {
			t.Fatal(err)
		}
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(path)}, Good: []int{1}, Start: true}})
		s := x.until(Aborted, 2*time.Hour)
		if s.Cause.Code != CauseBoard || !strings.Contains(s.Cause.Text, "waiting for somebody") {
			t.Errorf("cause %+v", s.Cause)
		}
		if _, nozzle, _, bed := x.rig.Temperatures(); nozzle != 0 || bed != 0 {
			t.Errorf("targets left at %.0f and %.0f °C", nozzle, bed)
		}
	})
}

// TestRefusedFilament: a board that reports cold extrusion has left a gap in the part, whatever it
// acknowledges.
func TestRefusedFilament(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		rs := testRig()
		rs.Machine.MinExtrudeC = 230 // above the job's temperature
		x := newRun(t, rs, testSettings())
		x.hot = true // its sensor is in doubt
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}})
		s := x.until(Aborted, 2*time.Hour)
		if s.Cause.Code != CauseHeat || s.Lot.Made != 0 {
			t.Errorf("cause %+v, %d made; want heat and none", s.Cause, s.Lot.Made)
		}
	})
}

// TestStartWaitsForADueCheck: the machine must not heat up only to hold at once.
func TestStartWaitsForADueCheck(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts = 1
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{2}, Start: true}})
		x.until(Held, 2*time.Hour)
		if _, _, _, bed := x.rig.Temperatures(); bed != 0 {
			t.Errorf("bed target %.0f °C in a hold, want off", bed)
		}
		x.do(Request{Command: Stop})
		x.until(Stopped, time.Hour)
		x.do(Request{Command: Reset})
		x.until(Idle, time.Minute)
		if err := x.refuse(Request{Command: Start}); !strings.Contains(err.Error(), "check is due") {
			t.Errorf("refusal %q does not name the check", err)
		}
		x.do(Request{Visit: &Visit{Good: 1}})
		x.do(Request{Command: Start})
		x.until(Complete, 3*time.Hour)
		x.stop()
	})
}

// TestForecastCountsThePartInProgressOnce compares the announced moment of a hold
// with the moment it comes, once the machine knows how long a part takes.
func TestForecastCountsThePartInProgressOnce(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts = 6
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{9}, Start: true}})
		var said []time.Time
		var parts []int
		for x.s.Snapshot().State != Held {
			time.Sleep(time.Minute)
			if s := x.s.Snapshot(); s.Lot != nil && s.Lot.Made >= 3 && s.State == Execute {
				said, parts = append(said, s.Next.At), append(parts, s.Next.Parts)
				if want := 6 - s.Lot.Made; s.Next.Parts != want {
					t.Errorf("%d parts until the hold, want %d with %d made", s.Next.Parts, want, s.Lot.Made)
				}
			}
		}
		held := x.s.Snapshot().Since
		if len(said) < 5 {
			t.Fatalf("only %d forecasts", len(said))
		}
		for i, at := range said {
			if off := at.Sub(held); off > 3*time.Minute || off < -3*time.Minute {
				t.Errorf("forecast %d (%d parts to go) is %s off", i, parts[i], off.Round(time.Second))
			}
		}
		x.stop()
	})
}

// TestAStuckProgramIsFoundInTime: the time runs from the last line that the board accepted, and from
// nothing later.
func TestAStuckProgramIsFoundInTime(t *testing.T) {
	m, now := linkedMachine(t)
	m.state = Execute
	m.setLegs([]leg{{doing: "making", program: func() Program { return Program{Before: []string{"G4 S1", "M0"}} }}})
	now = now.Add(30 * time.Minute)
	m.Step(now, Progressed{Progress{Lines: 1, State: m.position()}})
	for end := now.Add(m.set.StuckAfter); m.State() == Execute; {
		now = now.Add(time.Second)
		if now.After(end) {
			t.Fatal("not found in time")
		}
		m.Step(now, Reported{serialio.ParseReply([]byte("T:20.0 /0.0 B:20.0 /0.0"))}) // which does not accept a line
		m.Step(now, Progressed{Progress{Lines: 1, State: m.position()}})
		m.Step(now, Tick{})
		if now.Before(end) && m.State() != Execute {
			t.Fatalf("%s before its end: %s", end.Sub(now), m.cause.Text)
		}
	}
}
