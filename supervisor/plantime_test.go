package supervisor

import (
	"context"
	"io"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/motion"
)

// TestPlannedTime compares the time that inspection computes for one part with the time of the
// simulated machine, whose planner shares no code with it, over a wire that is never the limit. Jobs
// that set accelerations of their own are excluded, since that machine has one for all moves.
func TestPlannedTime(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	for _, name := range []string{"buttons.gcode", "drip-peg.gcode"} {
		for _, c := range []struct {
			accel, deviation float64
			window           int
		}{{1000, 0.02, 900}, {300, 0.05, 900}, {3000, 0.01, 900}} {
			set := testRig()
			set.Machine.AccelMMPerS2, set.Machine.JunctionDeviationMM = c.accel, c.deviation
			m := &set.Machine
			l := motion.Limits{SpeedMMPerS: m.MaxFeedMMPerS, AccelMMPerS2: m.MaxAccelMMPerS2, PrintAccelMMPerS2: c.accel, RetractAccelMMPerS2: c.accel,
				TravelAccelMMPerS2: c.accel, JunctionDeviationMM: c.deviation, LookAhead: set.Board.Planner}
			plan, err := job.Inspect(context.Background(), "../testdata/jobs/"+name, job.Options{BeltAxis: gcode.Y, Motion: l, BedC: 40}, nil)
			if err != nil {
				t.Fatal(err)
			}
			took := rigTime(t, set, plan, c.window)
			ratio := plan.Duration.Seconds() / took.Seconds()
			t.Logf("%s at %g mm/s²: planned %.1f s, the simulated machine took %.1f s, ratio %.4f", name, c.accel, plan.Duration.Seconds(), took.Seconds(), ratio)
			if ratio < 0.97 || ratio > 1.03 {
				t.Errorf("that is more than 3 %% apart")
			}
		}
	}
}

// rigTime is how long the simulated machine takes for the body of a plan.
func rigTime(t *testing.T, set rig.Settings, plan *job.Plan, window int) (took time.Duration) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := &set.Board
		b.ReceiveBuffer, b.Latency, b.ResetOnOpen, b.ReportTemps, b.MotorTimeout = 1024, 100*time.Microsecond, false, false, 0
		set.Machine.MinExtrudeC = 0
		r, err := rig.New(set)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		port, err := r.Open(context.Background(), serialio.Settings{Path: "rig", BaudRate: 1_000_000})
		if err != nil {
			t.Fatal(err)
		}
		c := serialio.NewConn(port, serialio.Options{WindowBytes: window, BootWait: -1})
		defer c.Close()
		await(t, c, serialio.EventSynced)
		run := func(p Program) {
			track := tracker{axis: gcode.Y, forward: 1}
			track.reset()
			src := &source{t: &track, program: p}
			defer src.close(io.EOF)
			if err := c.Run(1, src); err != nil {
				t.Fatal(err)
			}
			await(t, c, serialio.EventDone)
		}
		run(Program{Before: []string{"M110 N9"}, Plan: plan, Section: job.LeadIn, After: []string{"M400"}})
		begun := time.Now()
		run(Program{Before: []string{"M110 N9"}, Plan: plan, Section: job.Body, After: []string{"M400"}})
		took = time.Since(begun)
	})
	return took
}
