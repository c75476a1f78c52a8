package app

import (
	"context"
	"errors"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/motion"
)

// The planned time goes by the limits configured, then by those that the board reported,
// then by the usual.
func TestWhichLimitsAreUsed(t *testing.T) {
	c := settings(t)
	seconds := func(limits *motion.Limits) float64 {
		t.Helper()
		s := &supervisor.Snapshot{Line: supervisor.LineView{Limits: limits}}
		if limits == nil {
			s = nil
		}
		p, err := (&jobReader{options: optionsNow(JobOptions(c), func() *supervisor.Snapshot { return s }, never)}).inspect(context.Background(), "../../testdata/jobs/drip-peg.gcode", job.Lines{})
		if err != nil {
			t.Fatal(err)
		}
		return p.Duration.Seconds()
	}
	slow := &motion.Limits{SpeedMMPerS: [motion.Axes]float64{5, 5, 5, 5}}
	usual, bySlow := seconds(nil), seconds(slow)
	if bySlow < 2*usual {
		t.Errorf("%.1f s at 5 mm/s, %.1f s by the usual limits", bySlow, usual)
	}
	c.Motion.TopSpeedMMPerS.X, c.Motion.TopSpeedMMPerS.Y, c.Motion.TopSpeedMMPerS.Z, c.Motion.TopSpeedMMPerS.E = 200, 200, 20, 60
	if got := seconds(slow); got != usual {
		t.Errorf("%.3f s with the usual limits configured, %.3f s by default", got, usual)
	}
}

// A running daemon inspects with what its board has reported: one that allows 5 mm/s.
func TestLimitsComeFromTheBoard(t *testing.T) {
	set := rig.DefaultSettings()
	set.Belt.Axis, set.Speed, set.Machine.MaxFeedMMPerS = 'Y', 0, [4]float64{5, 5, 5, 5}
	r, err := rig.New(set)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	c := settings(t)
	a := start(t, Options{Config: c, Opener: r.Open})
	reach(t, connect(t, c.Server.Socket), supervisor.Idle)
	p, err := a.jobs.inspect(t.Context(), "../../testdata/jobs/drip-peg.gcode", job.Lines{})
	if err != nil {
		t.Fatal(err)
	}
	if v := p.PeakSpeedMMPerS.X; v <= 5 {
		t.Fatalf("the job asks for %g mm/s only", v)
	}
	clipped := 0
	for _, f := range p.Findings {
		if f.Code == "speed-clipped" {
			clipped++
		}
	}
	if clipped == 0 {
		t.Errorf("no speed was found clipped by the board: %+v", p.Findings)
	}
}

// never is the belt that has held no part.
func never(context.Context) (supervisor.Adhesion, error) { return supervisor.Adhesion{}, nil }

// What the ledger knows of the belt reaches the inspection, and so does its failure.
func TestHeldForReachesTheInspection(t *testing.T) {
	nothing := func() *supervisor.Snapshot { return nil }
	o := JobOptions(settings(t))
	said := func(held time.Duration) bool {
		p, err := (&jobReader{options: optionsNow(o, nothing, func(context.Context) (supervisor.Adhesion, error) { return supervisor.Adhesion{Longest: held}, nil })}).inspect(context.Background(), "../../testdata/jobs/drip-peg.gcode", job.Lines{})
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range p.Findings {
			if f.Code == "belt-hold" {
				return true
			}
		}
		return false
	}
	if !said(time.Second) || said(time.Hour) {
		t.Error("the time that the belt has held a part makes no difference")
	}
	broken := errors.New("disk gone")
	if _, err := (&jobReader{options: optionsNow(o, nothing, func(context.Context) (supervisor.Adhesion, error) { return supervisor.Adhesion{}, broken })}).inspect(context.Background(), "x", job.Lines{}); !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
}
