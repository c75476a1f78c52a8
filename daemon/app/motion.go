package app

import (
	"context"

	"beltwarden/config"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/motion"
)

// motionLimits are the limits of speed and acceleration that the configuration gives;
// what it leaves open is zero.
func motionLimits(m *config.Motion) motion.Limits {
	axes := func(v config.ByAxis) [motion.Axes]float64 { return [motion.Axes]float64{v.X, v.Y, v.Z, v.E} }
	return motion.Limits{
		SpeedMMPerS: axes(m.TopSpeedMMPerS), AccelMMPerS2: axes(m.AccelMMPerS2),
		PrintAccelMMPerS2: m.PrintAccelMMPerS2, RetractAccelMMPerS2: m.RetractAccelMMPerS2, TravelAccelMMPerS2: m.TravelAccelMMPerS2,
		JunctionDeviationMM: m.JunctionDeviationMM, CornerMMPerS: axes(m.CornerSpeedMMPerS), LookAhead: m.LookAheadMoves,
	}
}

// optionsNow returns for which machine a job is read, as the machine is known at that
// moment: what the configuration leaves open is taken from what the board reported. The
// snapshot function may return nil. adhesion returns how long parts have stayed on the belt.
func optionsNow(o job.Options, snapshot func() *supervisor.Snapshot, adhesion func(context.Context) (supervisor.Adhesion, error)) func(context.Context) (job.Options, error) {
	return func(ctx context.Context) (job.Options, error) {
		now := o
		g, err := adhesion(ctx)
		if err != nil {
			return now, err
		}
		now.Adhesion = g.ForJob()
		if s := snapshot(); s != nil && s.Line.Limits != nil {
			now.Motion = now.Motion.WithDefaults(*s.Line.Limits)
		}
		if s := snapshot(); s != nil {
			now.Heat.Heaters = s.Heat.Learned
		}
		return now, nil
	}
}
