package job

import (
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/motion"
)

// Options describe the machine for a job.
type Options struct {
	// BeltAxis is Y for an upright gantry, Z for a tilted one.
	BeltAxis gcode.Axis
	// Forward is +1 or -1: the sign of belt coordinate that carries parts to the
	// drop edge. 0 means +1.
	Forward int
	// HomedAxes are the axes that have an end stop. The belt axis is never one.
	HomedAxes []gcode.Axis
	// GapMM is the least free belt between two parts.
	GapMM float64
	// PitchMM is the belt advance from part to part; 0: computed from the part.
	PitchMM float64
	// Head is how far the head reaches along the belt above the nozzle's tip; without
	// steps only the tip is judged.
	Head []HeadStep
	// ToDropMM is from the nozzle to the drop edge, BehindMM the free belt behind the
	// nozzle up to the roller; 0 is unknown, and then not judged.
	ToDropMM float64
	BehindMM float64
	// LoopMM is the belt once round, 0 unknown; SeamMM the stretch at its joint on
	// which no part may lie.
	LoopMM float64
	SeamMM float64
	// RangeMM is [lowest, highest] of X, Y and Z that the machine can go to; an axis
	// with two equal ends is not judged.
	RangeMM [3][2]float64
	// SpoolG is the filament on a full spool, g; 0 is not judged.
	SpoolG float64
	// Adhesion is how long parts have stayed on the belt's present surface.
	Adhesion Adhesion
	// BedC is the bed temperature to add to a job that sets none; 0 adds none.
	BedC float64
	// NozzleCeilingC and BedCeilingC are the highest temperatures allowed; 0
	// means no ceiling.
	NozzleCeilingC float64
	BedCeilingC    float64
	// FilamentDiameterMM, 0 means 1.75.
	FilamentDiameterMM float64
	// DensityGPerCM3 of the filament, 0 means 1.24.
	DensityGPerCM3 float64
	// Motion are the board's limits of speed and acceleration; what is zero is filled in
	// by [motion.Default].
	Motion motion.Limits
	// Known are the limits as they were given, defaults not filled in.
	Known motion.Limits `json:"-"`
	// Heat is what is known of how temperatures change; the zero value knows nothing.
	Heat Heating `json:"-"`
	// Form is how the job's lines are written for the wire.
	Form gcode.Form

	// NamedWords are what the board's own named words do.
	NamedWords []NamedWord
	// Part are the lines of the part, where someone has said so; none: they are found.
	Part Lines

	repeatLimit int64 // bytes that repeats may add up to; 0 is maxRepeatedBytes
}
