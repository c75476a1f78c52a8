package gcode

// RestoreOptions say how [Restore] may move.
type RestoreOptions struct {
	// BeltAxis carries the parts. Its coordinate is restored, its G92 offset is
	// left alone, since the belt has moved on.
	BeltAxis Axis
	// LiftAxis is the axis that takes the nozzle away from the belt.
	LiftAxis Axis
	// ClearMM is how far above the higher of both positions to travel, mm.
	ClearMM float64
	// TravelFeedMMPerMin is the speed of moves without filament.
	TravelFeedMMPerMin float64
	// RetractFeedMMPerMin is the speed of the extruder alone.
	RetractFeedMMPerMin float64
}

// Restore returns the lines that bring a machine from one state to another
// before a part is repeated. It returns nothing when the states agree.
func Restore(from, to State, o RestoreOptions) []string { return nil }
