package gcode

import "math"

// RestoreOptions configure how [Restore] may move.
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
	// LiftFeedMMPerMin is the speed of the lift axis, which is often a slow
	// screw; 0 takes TravelFeedMMPerMin.
	LiftFeedMMPerMin float64
	// RetractFeedMMPerMin is the speed of the extruder alone.
	RetractFeedMMPerMin float64
	// Own are the settings that the board has by itself, as far as it has reported them; nil: it
	// has reported none. Only settings are looked at.
	Own *State
}

// coordinateToleranceMM is half the last of the five decimals that Restore
// writes, and beltToleranceMM how exactly the belt must already stand.
const (
	coordinateToleranceMM = 5e-6
	beltToleranceMM       = 1e-6
)

// Restore returns the lines that bring a machine in state from to state to, so
// that a part can be repeated: nothing when the states agree.
//
// The nozzle is lifted clear, the belt moved if its coordinate is not already
// that of to, then the other axes, then the nozzle is lowered and the filament
// given back what it stands too low; coordinates and modes of to come last, the
// feed at the very end. Applying the lines to from gives to, except for what no
// line can bring about: whether an axis was homed, the G92 offset of the belt,
// an arc as the last motion word, doubt about the extruder's mode, which is
// ended, and what [Left] returns. What to does not know of a coordinate may be known
// afterwards. Settings that to does not know get the board's own values; a fan, a chamber
// or another tool's nozzle that to does not know is switched off, as it is on a board that
// has just started.
//
// Temperatures are set first and waited for when filament must be pushed.
func Restore(from, to State, o RestoreOptions) []string {
	r := restorer{s: from, to: to, o: o}
	r.to.OffsetMM[o.BeltAxis] = from.OffsetMM[o.BeltAxis]
	r.to.Homed = from.Homed
	r.to.ExtruderUnsure = false
	r.own()
	r.plan()
	if !r.moves && !r.pushes && r.settled() {
		return nil
	}
	r.enter()
	r.heat(false)
	if r.moves {
		r.lift()
		r.heat(true)
		r.lower()
	} else {
		r.heat(true)
	}
	r.push()
	r.coordinates()
	r.conditions()
	r.leave()
	return r.lines
}

// restorer builds the lines and follows each with the interpreter, so that every
// decision is made on what the machine will then be.
type restorer struct {
	s, to  State
	o      RestoreOptions
	lines  []string
	moves  bool // X, Y or Z must move
	pushes bool // the extruder must move
}

// emit adds a line. Our own lines always parse; an error here is a bug in this file, and stops
// before anything is sent.
func (r *restorer) emit(line string) {
	if _, err := r.s.Apply([]byte(line)); err != nil {
		panic("gcode: restore: " + line + ": " + err.Error())
	}
	r.lines = append(r.lines, line)
}

// target is where axis a of state to lies in the coordinates now in force.
func (r *restorer) target(a Axis) float64 {
	if a == r.o.BeltAxis {
		return r.to.PositionMM[a]
	}
	return grid(r.to.PositionMM[a] + r.to.OffsetMM[a] - r.s.OffsetMM[a])
}

// off reports whether axis a must move.
func (r *restorer) off(a Axis) bool {
	tolerance := coordinateToleranceMM
	if a == r.o.BeltAxis {
		tolerance = beltToleranceMM
	}
	return !r.s.Known[a] && r.to.Known[a] || math.Abs(r.s.PositionMM[a]-r.target(a)) > tolerance
}

func (r *restorer) plan() {
	r.moves = r.off(X) || r.off(Y) || r.off(Z)
	r.pushes = r.s.DrawnBackMM != r.to.DrawnBackMM || r.s.FirmwareRetracted != r.to.FirmwareRetracted
}

// settled reports whether only coordinates within tolerance differ.
func (r *restorer) settled() bool {
	s, to := r.s, r.to
	for a := X; a <= Z; a++ {
		s.PositionMM[a] = to.PositionMM[a]
	}
	s.Known = to.Known
	if to.Motion > MotionLinear || to.Motion == MotionNone {
		s.Motion = to.Motion
	}
	if to.FeedMMPerMin == 0 {
		s.FeedMMPerMin = 0
	}
	if !to.FanKnown && s.FanS == 0 {
		s.FanKnown = false
	}
	if len(s.Lasting.back(&to.Lasting)) == 0 {
		s.Lasting = to.Lasting
	}
	s.NozzlesApart = to.NozzlesApart // both are zero where only one follows them
	for i := range s.Settings {
		for b := range s.Settings[i].Value {
			if to.Settings[i].Set&(1<<b) == 0 {
				s.Settings[i].Value[b] = to.Settings[i].Value[b]
			}
		}
		s.Settings[i].Set &= to.Settings[i].Set
	}
	return s == to
}
