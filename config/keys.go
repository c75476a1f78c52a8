package config

// The ranges below are wide: they let any belt machine through and catch slips
// of unit, sign or decimal point. Where a trade bound is meant, the line says so.

// keys are all settings, in the order of the example.
var keys = []key{
	{group: "machine", name: "name", at: func(s *Settings) any { return &s.Machine.Name }, rule: nameRule},
	{group: "machine", name: "port", at: func(s *Settings) any { return &s.Machine.Port }, required: true, rule: pathRule},
	{group: "machine", name: "baud", at: func(s *Settings) any { return &s.Machine.BaudRate }, unit: baudRate, least: 115200, most: 1000000,
		low: "write the rate the board is built for, often 115200 or 250000", high: "write the rate the board is built for, often 115200 or 250000"},
	{group: "machine", name: "window_bytes", at: func(s *Settings) any { return &s.Machine.WindowBytes }, unit: octets, least: 16, most: 16384, off: true,
		low: "write the size of the board's receive buffer, often 64 or 128, or 0 for one line at a time"},
	{group: "machine", name: "drop_blanks", at: func(s *Settings) any { return &s.Machine.DropBlanks }},
	{group: "machine", name: "reset_wait_s", at: func(s *Settings) any { return &s.Machine.ResetWait }, unit: second, least: 0.5, most: 60},
	{group: "machine", name: "reply_limit_s", at: func(s *Settings) any { return &s.Machine.ReplyLimit }, unit: second, least: 1, most: 300},
	{group: "machine", name: "silence_limit_s", at: func(s *Settings) any { return &s.Machine.SilenceLimit }, unit: second, least: 5, most: 3600},
	{group: "machine", name: "belt_axis", at: func(s *Settings) any { return &s.Machine.BeltAxis }, required: true, choices: []string{"Y", "Z"}},
	{group: "machine", name: "forward", at: func(s *Settings) any { return &s.Machine.Forward }, required: true, choices: []string{"+1", "-1"}},
	{group: "machine", name: "homed_axes", at: func(s *Settings) any { return &s.Machine.HomedAxes }, choices: []string{"X", "Y", "Z"}},
	{group: "machine", name: "lift_axis", at: func(s *Settings) any { return &s.Machine.LiftAxis }, choices: []string{"Y", "Z"}},
	{group: "machine", name: "head", at: func(s *Settings) any { return &s.Machine.Head }, unit: mm, least: 0, most: 1000},
	{group: "machine", name: "x_range_mm", at: func(s *Settings) any { return &s.Machine.RangeMM.X }, unit: mm, least: -10000, most: 10000},
	{group: "machine", name: "y_range_mm", at: func(s *Settings) any { return &s.Machine.RangeMM.Y }, unit: mm, least: -10000, most: 10000},
	{group: "machine", name: "z_range_mm", at: func(s *Settings) any { return &s.Machine.RangeMM.Z }, unit: mm, least: -10000, most: 10000},
	{group: "machine", name: "travel_limit_mm", at: func(s *Settings) any { return &s.Machine.TravelLimitMM }, unit: mm, least: 1, most: 10000},
	{group: "machine", name: "belt_steps_per_mm", at: func(s *Settings) any { return &s.Machine.BeltStepsPerMM }, unit: stepsMM, least: 1, most: 20000, off: true},
	{group: "machine", name: "nozzle_ceiling_c", at: func(s *Settings) any { return &s.Machine.NozzleCeilingC }, unit: celsius, least: 100, most: 500},
	{group: "machine", name: "bed_ceiling_c", at: func(s *Settings) any { return &s.Machine.BedCeilingC }, unit: celsius, least: 20, most: 150, off: true},
	{group: "machine", name: "ceiling_acknowledged", at: func(s *Settings) any { return &s.Machine.CeilingAcknowledged }},
	{group: "machine", name: "temperature_poll_s", at: func(s *Settings) any { return &s.Machine.TemperaturePoll }, unit: second, least: 1, most: 30},
	{group: "machine", name: "motors_stay_on", at: func(s *Settings) any { return &s.Machine.MotorsStayOn }},

	{group: "belt", name: "loop_length_mm", at: func(s *Settings) any { return &s.Belt.LoopLengthMM }, unit: mm, least: 100, most: 50000, off: true},
	{group: "belt", name: "seam_width_mm", at: func(s *Settings) any { return &s.Belt.SeamWidthMM }, unit: mm, least: 0, most: 500},
	{group: "belt", name: "to_drop_mm", at: func(s *Settings) any { return &s.Belt.ToDropMM }, unit: mm, least: 1, most: 20000, required: true},
	{group: "belt", name: "behind_mm", at: func(s *Settings) any { return &s.Belt.BehindMM }, unit: mm, least: 1, most: 20000, off: true},
	{group: "belt", name: "limit_mm", at: func(s *Settings) any { return &s.Belt.LimitMM }, unit: mm, least: 0.1, most: 100,
		low: "write the offset allowed to either side, as a positive length"},
	{group: "belt", name: "worst_drift_mm_per_m", at: func(s *Settings) any { return &s.Belt.WorstDriftMMPerM }, unit: drift, least: 0.001, most: 100},

	{group: "discharge", name: "release_c", at: func(s *Settings) any { return &s.Discharge.ReleaseC }, unit: celsius, least: 15, most: 90, off: true},
	{group: "discharge", name: "release_limit_min", at: func(s *Settings) any { return &s.Discharge.ReleaseLimit }, unit: minute, least: 1, most: 600},
	{group: "discharge", name: "nozzle_standby_c", at: func(s *Settings) any { return &s.Discharge.NozzleStandbyC }, unit: celsius, least: 40, most: 260, off: true},
	{group: "discharge", name: "lift_mm", at: func(s *Settings) any { return &s.Discharge.LiftMM }, unit: mm, least: 0, most: 1000,
		low: "write the distance off the part; the lift axis counts upwards"},
	{group: "discharge", name: "lift_feed_mm_per_min", at: func(s *Settings) any { return &s.Discharge.LiftFeedMMPerMin }, unit: feed, least: 60, most: 30000,
		low: perSecond, high: tooFast},
	{group: "discharge", name: "park", at: func(s *Settings) any { return &s.Discharge.Park }},
	{group: "discharge", name: "park_x_mm", at: func(s *Settings) any { return &s.Discharge.ParkXMM }, unit: mm, least: -100, most: 2000},
	{group: "discharge", name: "advance_feed_mm_per_min", at: func(s *Settings) any { return &s.Discharge.AdvanceFeedMMPerMin }, unit: feed, least: 60, most: 30000,
		low: perSecond, high: tooFast},
	{group: "discharge", name: "gap_mm", at: func(s *Settings) any { return &s.Discharge.GapMM }, unit: mm, least: 0, most: 1000},
	{group: "discharge", name: "pitch_mm", at: func(s *Settings) any { return &s.Discharge.PitchMM }, unit: mm, least: 1, most: 20000, off: true},
	{group: "discharge", name: "travel_feed_mm_per_min", at: func(s *Settings) any { return &s.Discharge.TravelFeedMMPerMin }, unit: feed, least: 600, most: 60000,
		low: perSecond, high: tooFast},
	{group: "discharge", name: "retract_mm", at: func(s *Settings) any { return &s.Discharge.RetractMM }, unit: mm, least: 0, most: 20,
		low: "write the length drawn back, as a positive length"},
	{group: "discharge", name: "retract_feed_mm_per_min", at: func(s *Settings) any { return &s.Discharge.RetractFeedMMPerMin }, unit: feed, least: 120, most: 12000,
		low: perSecond, high: tooFast},
	{group: "discharge", name: "bin_parts", at: func(s *Settings) any { return &s.Discharge.BinParts }, unit: parts, least: 1, most: 1000000, off: true},
	{group: "discharge", name: "clear_at_end", at: func(s *Settings) any { return &s.Discharge.ClearAtEnd }},

	{group: "hold", name: "every_parts", at: func(s *Settings) any { return &s.Hold.EveryParts }, unit: parts, least: 1, most: 1000000, off: true},
	{group: "hold", name: "every_travel_mm", at: func(s *Settings) any { return &s.Hold.EveryTravelMM }, unit: mm, least: 100, most: 1e8, off: true,
		low: "the unit is mm: 50 m of belt are 50000"},
	{group: "hold", name: "every_hours", at: func(s *Settings) any { return &s.Hold.Every }, unit: hour, least: 0.05, most: 720, off: true,
		high: "the unit is hours; a limit in mm of belt is hold.every_travel_mm"},
	{group: "hold", name: "attended", at: func(s *Settings) any { return &s.Hold.Attended }, rule: optional(attendedRule)},
	{group: "hold", name: "certainty_percent", at: func(s *Settings) any { return &s.Hold.CertaintyPercent }, unit: percent, least: 80, most: 99.99,
		low: "the unit is %: 0.99 is 99", high: "nothing is quite certain; 99.9 calls you more often than most need"},
	{group: "hold", name: "heaters_off_after_min", at: func(s *Settings) any { return &s.Hold.HeatersOffAfter }, unit: minute, least: 0.5, most: 240,
		low: "write the minutes after which a machine that waits goes cold; heaters are never left on for good", high: "heaters do not stay on beside a machine that waits for hours; a reheat takes minutes"},
	{group: "hold", name: "reheat_limit_min", at: func(s *Settings) any { return &s.Hold.ReheatLimit }, unit: minute, least: 1, most: 120},
	{group: "hold", name: "prime_mm", at: func(s *Settings) any { return &s.Hold.PrimeMM }, unit: mm, least: 0, most: 100},
	{group: "hold", name: "none_acknowledged", at: func(s *Settings) any { return &s.Hold.NoneAcknowledged }},

	{group: "job", name: "bed_c", at: func(s *Settings) any { return &s.Job.BedC }, unit: celsius, least: 20, most: 150, off: true},
	{group: "job", name: "filament_diameter_mm", at: func(s *Settings) any { return &s.Job.FilamentDiameterMM }, unit: mm, least: 1, most: 4},
	{group: "job", name: "density_g_per_cm3", at: func(s *Settings) any { return &s.Job.DensityGPerCM3 }, unit: density, least: 0.3, most: 10,
		high: "the unit is g/cm3: 1240 kg/m3 are 1.24"},
	{group: "job", name: "spool_g", at: func(s *Settings) any { return &s.Job.SpoolG }, unit: grams, least: 10, most: 50000, off: true,
		low: "the unit is g: a spool of 1 kg is 1000"},
	{group: "job", name: "spool_tare_g", at: func(s *Settings) any { return &s.Job.SpoolTareG }, unit: grams, least: 0, most: 5000},

	{group: "motion", name: "top_speed_x_mm_per_s", at: func(s *Settings) any { return &s.Motion.TopSpeedMMPerS.X }, unit: speed, least: 1, most: 1000, off: true, high: perMinute},
	{group: "motion", name: "top_speed_y_mm_per_s", at: func(s *Settings) any { return &s.Motion.TopSpeedMMPerS.Y }, unit: speed, least: 1, most: 1000, off: true, high: perMinute},
	{group: "motion", name: "top_speed_z_mm_per_s", at: func(s *Settings) any { return &s.Motion.TopSpeedMMPerS.Z }, unit: speed, least: 0.1, most: 1000, off: true, high: perMinute},
	{group: "motion", name: "top_speed_e_mm_per_s", at: func(s *Settings) any { return &s.Motion.TopSpeedMMPerS.E }, unit: speed, least: 1, most: 1000, off: true, high: perMinute},
	{group: "motion", name: "acceleration_x_mm_per_s2", at: func(s *Settings) any { return &s.Motion.AccelMMPerS2.X }, unit: accel, least: 10, most: 50000, off: true},
	{group: "motion", name: "acceleration_y_mm_per_s2", at: func(s *Settings) any { return &s.Motion.AccelMMPerS2.Y }, unit: accel, least: 10, most: 50000, off: true},
	{group: "motion", name: "acceleration_z_mm_per_s2", at: func(s *Settings) any { return &s.Motion.AccelMMPerS2.Z }, unit: accel, least: 1, most: 50000, off: true},
	{group: "motion", name: "acceleration_e_mm_per_s2", at: func(s *Settings) any { return &s.Motion.AccelMMPerS2.E }, unit: accel, least: 10, most: 100000, off: true},
	{group: "motion", name: "print_acceleration_mm_per_s2", at: func(s *Settings) any { return &s.Motion.PrintAccelMMPerS2 }, unit: accel, least: 10, most: 50000, off: true},
	{group: "motion", name: "retract_acceleration_mm_per_s2", at: func(s *Settings) any { return &s.Motion.RetractAccelMMPerS2 }, unit: accel, least: 10, most: 100000, off: true},
	{group: "motion", name: "travel_acceleration_mm_per_s2", at: func(s *Settings) any { return &s.Motion.TravelAccelMMPerS2 }, unit: accel, least: 10, most: 50000, off: true},
	{group: "motion", name: "junction_deviation_mm", at: func(s *Settings) any { return &s.Motion.JunctionDeviationMM }, unit: mm, least: 0.001, most: 1, off: true},
	{group: "motion", name: "corner_speed_x_mm_per_s", at: func(s *Settings) any { return &s.Motion.CornerSpeedMMPerS.X }, unit: speed, least: 0.1, most: 100, off: true},
	{group: "motion", name: "corner_speed_y_mm_per_s", at: func(s *Settings) any { return &s.Motion.CornerSpeedMMPerS.Y }, unit: speed, least: 0.1, most: 100, off: true},
	{group: "motion", name: "corner_speed_z_mm_per_s", at: func(s *Settings) any { return &s.Motion.CornerSpeedMMPerS.Z }, unit: speed, least: 0.01, most: 100, off: true},
	{group: "motion", name: "corner_speed_e_mm_per_s", at: func(s *Settings) any { return &s.Motion.CornerSpeedMMPerS.E }, unit: speed, least: 0.1, most: 100, off: true},
	{group: "motion", name: "look_ahead_moves", at: func(s *Settings) any { return &s.Motion.LookAheadMoves }, unit: moves, least: 1, most: 32, off: true},

	{group: "ledger", name: "path", at: func(s *Settings) any { return &s.Ledger.Path }, rule: pathRule},
	{group: "ledger", name: "progress_every_s", at: func(s *Settings) any { return &s.Ledger.ProgressEvery }, unit: second, least: 1, most: 3600},

	{group: "server", name: "socket", at: func(s *Settings) any { return &s.Server.Socket }, rule: optional(socketRule)},
	{group: "server", name: "listen", at: func(s *Settings) any { return &s.Server.Listen }, rule: optional(listenRule)},
	{group: "server", name: "secret_file", at: func(s *Settings) any { return &s.Server.SecretFile }, rule: optional(pathRule)},

	{group: "alerts", name: "webhooks", at: func(s *Settings) any { return &s.Alerts.Webhooks }},
	{group: "alerts", name: "retry_first_s", at: func(s *Settings) any { return &s.Alerts.RetryFirst }, unit: second, least: 1, most: 3600},
	{group: "alerts", name: "retry_limit_min", at: func(s *Settings) any { return &s.Alerts.RetryLimit }, unit: minute, least: 0.05, most: 1440},

	{group: "log", name: "level", at: func(s *Settings) any { return &s.Log.Level }, choices: []string{"debug", "info", "warn", "error"}},
	{group: "log", name: "format", at: func(s *Settings) any { return &s.Log.Format }, choices: []string{"json", "console"}},
}

// Remedies for feeds, which half the trade counts per second.
const (
	perMinute = "the unit is mm/s: 6000 mm/min are 100"
	perSecond = "the unit is mm/min: 20 mm/s are 1200"
	tooFast   = "the unit is mm/min; write a feed the machine can run"
)
