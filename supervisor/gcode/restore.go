package gcode

import (
	"math"
	"strconv"
)

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
// an arc as the last motion word, and settings that to does not know. What to
// does not know of a coordinate may be known afterwards. A fan that to does not
// know is switched off, as it is on a board that has just started.
//
// Temperatures are asked for first and waited for when filament must be pushed.
func Restore(from, to State, o RestoreOptions) []string {
	r := restorer{s: from, to: to, o: o}
	r.to.OffsetMM[o.BeltAxis] = from.OffsetMM[o.BeltAxis]
	r.to.Homed = from.Homed
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

// emit adds a line. Our own lines always parse; an error here is a fault in this
// file, and stops before anything is sent.
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

// settled reports whether nothing but coordinates within tolerance differs.
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

// enter sets millimetres, absolute coordinates and plain factors for our moves.
func (r *restorer) enter() {
	if r.s.Inches {
		r.emit("G21")
	}
	if r.s.Relative {
		r.emit("G90")
	}
	if r.moves || r.pushes {
		if r.s.FeedPercent != 100 {
			r.emit("M220 S100")
		}
	}
	if r.pushes {
		if r.s.FlowPercent != 100 {
			r.emit("M221 S100")
		}
	}
}

// heat asks for the temperatures of to; with wait it waits for them, if filament
// must be pushed or a part is about to begin.
func (r *restorer) heat(wait bool) {
	bed, nozzle := r.to.BedTargetC, r.to.NozzleTargetC
	if !wait {
		if r.s.BedTargetC != bed && bed <= r.s.BedTargetC {
			r.emit("M140 S" + number(bed))
		}
		if r.s.NozzleTargetC != nozzle && (nozzle == 0 || !r.pushes && nozzle < r.s.NozzleTargetC) {
			r.emit("M104 S" + number(nozzle))
		}
		return
	}
	if r.s.BedTargetC != bed {
		r.emit("M190 S" + number(bed))
	}
	switch {
	case r.s.NozzleTargetC == nozzle:
	case nozzle > r.s.NozzleTargetC:
		r.emit("M109 S" + number(nozzle))
	default:
		r.emit("M109 R" + number(nozzle)) // R waits for cooling too
	}
}

// lift raises the nozzle and travels while it is up.
func (r *restorer) lift() {
	lift, belt := r.o.LiftAxis, r.o.BeltAxis
	sideways := false
	for a := X; a <= Z; a++ {
		sideways = sideways || a != lift && r.off(a)
	}
	if sideways && lift != belt {
		clear := math.Max(r.s.PositionMM[lift], r.target(lift)) + r.o.ClearMM
		if clear > r.s.PositionMM[lift] {
			r.move(r.o.TravelFeedMMPerMin, word(lift, clear))
		}
	}
	if r.s.Tool != r.to.Tool {
		r.emit("T" + strconv.Itoa(r.to.Tool))
	}
	if r.off(belt) {
		r.move(r.o.TravelFeedMMPerMin, word(belt, r.target(belt)))
	}
	words := ""
	for a := X; a <= Z; a++ {
		if a != lift && a != belt && r.off(a) {
			words += word(a, r.target(a))
		}
	}
	if words != "" {
		r.move(r.o.TravelFeedMMPerMin, words)
	}
}

func (r *restorer) lower() {
	if lift := r.o.LiftAxis; r.off(lift) {
		r.move(r.o.TravelFeedMMPerMin, word(lift, r.target(lift)))
	}
}

// push gives the filament back what it stands too low, or draws it back.
func (r *restorer) push() {
	if r.s.Tool != r.to.Tool {
		r.emit("T" + strconv.Itoa(r.to.Tool))
	}
	if r.s.FirmwareRetracted && !r.to.FirmwareRetracted {
		r.emit("G11")
	}
	if by := grid(r.s.DrawnBackMM - r.to.DrawnBackMM); by != 0 {
		if !r.s.RelativeE {
			r.emit("M83")
		}
		r.move(r.o.RetractFeedMMPerMin, " E"+number(by))
	}
	if !r.s.FirmwareRetracted && r.to.FirmwareRetracted {
		r.emit("G10")
	}
}

// coordinates gives the point reached the coordinates that to has there.
func (r *restorer) coordinates() {
	words := ""
	for a := X; a <= Z; a++ {
		if a != r.o.BeltAxis && r.s.OffsetMM[a] != r.to.OffsetMM[a] {
			words += " " + a.String() + number(r.to.PositionMM[a])
		}
	}
	if r.s.PositionMM[E] != r.to.PositionMM[E] || !r.s.Known[E] && r.to.Known[E] {
		words += " E" + number(r.to.PositionMM[E])
	}
	if words != "" {
		r.emit("G92" + words)
	}
}

// conditions sets fan, settings, plane and factors.
func (r *restorer) conditions() {
	to := &r.to
	switch {
	case to.FanKnown && to.FanS == 0 && (!r.s.FanKnown || r.s.FanS != 0), !to.FanKnown && r.s.FanS != 0:
		r.emit("M107")
	case to.FanKnown && (!r.s.FanKnown || r.s.FanS != to.FanS):
		r.emit("M106 S" + number(to.FanS))
	}
	for i, setting := range settingWords {
		words := ""
		for b := byte(0); b < 26; b++ {
			want, wanted := to.Settings[i].Get('A' + b)
			if have, ok := r.s.Settings[i].Get('A' + b); wanted && (!ok || have != want) {
				words += " " + string(rune('A'+b)) + number(want)
			}
		}
		if words != "" {
			r.emit("M" + strconv.Itoa(setting) + words)
		}
	}
	if r.s.Plane != to.Plane {
		r.emit("G" + strconv.Itoa(17+int(to.Plane)))
	}
	if r.s.FeedPercent != to.FeedPercent {
		r.emit("M220 S" + number(to.FeedPercent))
	}
	if r.s.FlowPercent != to.FlowPercent {
		r.emit("M221 S" + number(to.FlowPercent))
	}
}

// leave sets the modes of to, and the feed last. On some boards G90 and G91
// change the extruder's mode too, so its own word always follows them.
func (r *restorer) leave() {
	to := &r.to
	if r.s.Inches != to.Inches {
		r.emit("G20")
	}
	touched := false
	for _, line := range r.lines {
		touched = touched || line == "G90"
	}
	if r.s.Relative != to.Relative {
		r.emit("G91")
		touched = true
	}
	if touched || r.s.RelativeE != to.RelativeE {
		if to.RelativeE {
			r.emit("M83")
		} else {
			r.emit("M82")
		}
	}
	motion := to.Motion
	if motion != MotionRapid {
		motion = MotionLinear
	}
	if to.FeedMMPerMin > 0 && (r.s.FeedMMPerMin != to.FeedMMPerMin || r.s.Motion != motion && to.Motion <= MotionLinear && to.Motion != MotionNone) {
		r.emit("G" + strconv.Itoa(int(motion-MotionRapid)) + " F" + number(to.FeedMMPerMin/r.s.unit()))
	}
}

// move emits a linear move.
func (r *restorer) move(feed float64, words string) {
	r.emit("G1" + words + " F" + number(feed))
}

// word writes a coordinate with at most five decimals.
func word(a Axis, v float64) string {
	return " " + a.String() + number(math.Round(v*1e5)/1e5)
}

// number writes a value in as few digits as read back to the same value.
func number(v float64) string {
	if v == 0 {
		v = 0 // no minus sign
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}
