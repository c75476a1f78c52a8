package supervisor

import (
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
)

// TestNothingStartsByReset: a lot that was to begin once the board is ready does not begin after an
// intervening stop or fault.
func TestNothingStartsByReset(t *testing.T) {
	for _, between := range []Command{Stop, Abort} {
		t.Run(between.String(), func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x := newRun(t, testRig(), testSettings())
				x.rig.Unplug()
				x.start()
				x.until(Resetting, time.Minute)
				x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}})
				x.do(Request{Command: between})
				time.Sleep(5 * time.Minute)
				x.rig.Replug()
				if between == Abort {
					x.until(Aborted, time.Minute)
					x.do(Request{Command: Clear})
				}
				x.until(Stopped, time.Minute)
				x.do(Request{Command: Reset})
				time.Sleep(time.Minute)
				if s := x.s.Snapshot(); s.State != Idle {
					t.Errorf("%s after reset, want Idle", s.State)
				}
				x.stop()
			})
		})
	}
}

// TestVisitToNoJob names a job that the lot does not have.
func TestVisitToNoJob(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}}})
		for _, k := range []int{-1, 1} {
			if err := x.refuse(Request{Visit: &Visit{Job: k, Note: "looked"}}); !strings.Contains(err.Error(), "no job") {
				t.Errorf("job %d: %v", k, err)
			}
		}
		x.stop()
	})
}

// TestHeatingCanBeLeft stops, aborts and ends the process while the board waits for its bed in a line
// of the job, and so accepts no other line.
func TestHeatingCanBeLeft(t *testing.T) {
	for _, how := range []string{"stop", "shutdown", "shutdown without emergency words"} {
		t.Run(how, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				rs := testRig()
				rs.Board = rig.Variations()["large"] // both waits in flight at once
				rs.Board.EmergencyParser = !strings.Contains(how, "without")
				set := testSettings()
				set.Conn.WindowBytes = 500
				x := newRun(t, rs, set)
				x.hot = how == "shutdown without emergency words" // the wait leaves the bed too little time to show that it cools
				x.start()
				x.until(Idle, time.Minute)
				x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}})
				for i := 0; ; i++ { // the bed is heated before; the nozzle's wait is the job's own
					time.Sleep(time.Second)
					if nozzleC, nozzle, _, bed := x.rig.Temperatures(); bed > 0 && nozzle > 0 && nozzleC > 60 && nozzleC < nozzle-10 {
						break
					}
					if i > 1800 {
						t.Fatal("the machine does not heat")
					}
				}
				if how == "stop" {
					x.do(Request{Command: Stop})
					x.until(Stopped, 10*time.Second)
				}
				x.stop()
				if _, nozzle, _, bed := x.rig.Temperatures(); nozzle != 0 || bed != 0 {
					t.Errorf("targets left at %.0f and %.0f °C", nozzle, bed)
				}
			})
		})
	}
}

// TestAbortingTakesNoCommand: the answer must not end in an empty list, nor the
// snapshot hold a command without a name.
func TestAbortingTakesNoCommand(t *testing.T) {
	l, _ := killed(t)
	m, step := restartOn(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	if out := step(Request{Command: Hold}); out.Refused == nil || !strings.HasSuffix(out.Refused.Error(), "wait until it is done") {
		t.Errorf("%s: %v", m.State(), out.Refused)
	}
	if list := m.Snapshot(m.now).Accepts; len(list) != 0 || list == nil {
		t.Errorf("accepts %q, want an empty list", list)
	}
}
