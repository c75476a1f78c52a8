package app

import (
	"beltwarden/config"
	"beltwarden/serialio"
	"beltwarden/supervisor"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/pace"
	"time"
)

// axes translates the axis letters of the configuration.
var axes = map[config.Axis]gcode.Axis{config.AxisX: gcode.X, config.AxisY: gcode.Y, config.AxisZ: gcode.Z}

// RunSettings translates the configuration for the run. What has no key keeps the run's own
// default.
func RunSettings(c *config.Settings) supervisor.Settings {
	m, b, d, h := &c.Machine, &c.Belt, &c.Discharge, &c.Hold
	return supervisor.Settings{
		Machine: m.Name,
		Port:    serialio.Settings{Path: m.Port, BaudRate: m.BaudRate},
		Conn: serialio.Options{WindowBytes: m.WindowBytes, BootWait: m.ResetWait,
			ReplyLimit: m.ReplyLimit, SilenceLimit: m.SilenceLimit},

		BeltAxis:       axes[m.BeltAxis],
		Forward:        float64(m.Forward),
		ForwardUnknown: m.Forward == 0,
		LiftAxis:       axes[m.LiftAxis],
		TravelLimitMM:  m.TravelLimitMM,
		StepsPerMM:     m.BeltStepsPerMM,
		MotorsStayOn:   m.MotorsStayOn,
		PollEvery:      m.TemperaturePoll,

		LoopMM:           b.LoopLengthMM,
		SeamMM:           b.SeamWidthMM,
		ToDropMM:         b.ToDropMM,
		OffsetLimitMM:    b.LimitMM,
		WorstDriftMMPerM: b.WorstDriftMMPerM,

		ReleaseC:       d.ReleaseC,
		ReleaseLimit:   d.ReleaseLimit,
		NozzleStandbyC: d.NozzleStandbyC,
		LiftMM:         d.LiftMM,
		LiftFeed:       d.LiftFeedMMPerMin,
		Park:           d.Park,
		ParkXMM:        d.ParkXMM,
		AdvanceFeed:    d.AdvanceFeedMMPerMin,
		TravelFeed:     d.TravelFeedMMPerMin,
		RetractMM:      d.RetractMM,
		RetractFeed:    d.RetractFeedMMPerMin,
		GapMM:          d.GapMM,
		ClearAtEnd:     d.ClearAtEnd,

		ClockFloor:      builtAfter(),
		VisitAhead:      c.Alerts.Ahead,
		CheckEveryParts: h.EveryParts,
		CheckEveryMM:    h.EveryTravelMM,
		CheckEvery:      h.Every,
		HoldCertainty:   h.CertaintyPercent / 100,
		SpoolG:          c.Job.SpoolG,
		SpoolTareG:      c.Job.SpoolTareG,
		BinParts:        d.BinParts,
		Care:            care(h.Care),
		FirstArticle:    h.FirstArticle,
		Attended:        attended(h.Attended),
		HeatersOffAfter: h.HeatersOffAfter,
		ReheatLimit:     h.ReheatLimit,
		PrimeMM:         h.PrimeMM,

		NozzleWatch: nozzleWatch(c), BedWatch: bedWatch(c),
		BoardIdle: c.Heat.BoardIdleLimit, ReadingTimeout: c.Heat.ReadingLimit, ProofWithin: c.Heat.ProofLimit, TargetSlackC: c.Heat.TargetSlackC,

		AutoResumePerDay: c.Fault.GoOnPerDay, AutoResumeAfter: c.Fault.GoOnAfter,

		ProgressEvery:    c.Ledger.ProgressEvery,
		DiskReserveBytes: int64(c.Ledger.ReserveMB) * 1e6,
	}
}

// nozzleWatch returns the limits on the nozzle's readings. No target is above the ceiling, so a
// reading above it by more than an overshoot is a fault.
func nozzleWatch(c *config.Settings) heat.Limits {
	l := heat.NozzleLimits(c.Machine.NozzleCeilingC, c.Heat.OverC)
	l.RiseWithin, l.FallC, l.HeldFor = c.Heat.NozzleRiseLimit, c.Heat.NozzleFallC, c.Heat.StillLimit
	return l
}

// bedWatch is the same for the bed. One without heater has ceiling 0; a reading far
// above any room is then of no bed.
func bedWatch(c *config.Settings) heat.Limits {
	l := heat.BedLimits(c.Machine.BedCeilingC, c.Heat.OverC)
	l.RiseWithin, l.FallC, l.HeldFor = c.Heat.BedRiseLimit, c.Heat.BedFallC, 2*c.Heat.StillLimit
	return l
}

// attended translates the attended hours; without them somebody always is near.
func attended(s string) pace.Hours {
	from, to, ok := config.ParseSpan(s)
	if !ok {
		return pace.Hours{}
	}
	return pace.Hours{FromMin: from, ToMin: to}
}

// JobOptions says for which machine a job file is read. The command that inspects
// a file and the daemon that runs it use the same.
func JobOptions(c *config.Settings) job.Options {
	o := job.Options{
		BeltAxis: axes[c.Machine.BeltAxis], Forward: c.Machine.Forward,
		GapMM: c.Discharge.GapMM, PitchMM: c.Discharge.PitchMM, BedC: c.Job.BedC,
		NozzleCeilingC: c.Machine.NozzleCeilingC, BedCeilingC: c.Machine.BedCeilingC,
		FilamentDiameterMM: c.Job.FilamentDiameterMM, DensityGPerCM3: c.Job.DensityGPerCM3,
		Motion:   motionLimits(&c.Motion),
		ToDropMM: c.Belt.ToDropMM, BehindMM: c.Belt.BehindMM, LoopMM: c.Belt.LoopLengthMM, SeamMM: c.Belt.SeamWidthMM,
		RangeMM: [3][2]float64{c.Machine.RangeMM.X, c.Machine.RangeMM.Y, c.Machine.RangeMM.Z}, SpoolG: c.Job.SpoolG,
	}
	o.Heat.ReleaseC, o.Heat.NozzleStandbyC = c.Discharge.ReleaseC, c.Discharge.NozzleStandbyC
	if c.Machine.DropBlanks {
		o.Form = gcode.Tight
	}
	for _, w := range c.Job.NamedWords {
		o.NamedWords = append(o.NamedWords, job.NamedWord(w))
	}
	for _, h := range c.Machine.Head {
		o.Head = append(o.Head, job.HeadStep(h))
	}
	for _, a := range c.Machine.HomedAxes {
		o.HomedAxes = append(o.HomedAxes, axes[a])
	}
	return o
}

// care translates hold.care into the run's units.
func care(list []config.Care) (out []supervisor.Care) {
	for _, c := range list {
		out = append(out, supervisor.Care{Name: c.Name, EveryMM: 1000 * c.EveryM, EveryParts: c.EveryParts,
			EveryWork: time.Duration(c.EveryHours * float64(time.Hour)), Every: time.Duration(c.EveryDays * 24 * float64(time.Hour))})
	}
	return out
}
