package gcode

import (
	"math"
	"strconv"
)

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
	if r.s.VolumetricMM > 0 {
		r.emit("M200 D0")
	}
	if r.pushes {
		if r.s.FlowPercent != 100 {
			r.emit("M221 S100")
		}
	}
}

// heat sets the temperatures of to; with wait it waits for them, if filament
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
	if r.s.Tool != r.to.Tool {
		r.emit("T" + strconv.Itoa(r.to.Tool))
	}
	if r.s.BedTargetC != bed {
		r.emit("M190 S" + number(bed))
	}
	for tool, c := range r.to.NozzlesC {
		switch {
		case tool == r.to.Tool || r.s.NozzlesC[tool] == c:
		case c == 0:
			r.emit("M104 T" + strconv.Itoa(tool) + " S0")
		default:
			r.emit("M109 T" + strconv.Itoa(tool) + " S" + number(c))
		}
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
			r.move(r.liftFeed(), word(lift, clear))
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
		r.move(r.liftFeed(), word(lift, r.target(lift)))
	}
}

func (r *restorer) liftFeed() float64 {
	if r.o.LiftFeedMMPerMin > 0 {
		return r.o.LiftFeedMMPerMin
	}
	return r.o.TravelFeedMMPerMin
}

// push pushes the filament by what it lacks, or retracts it.
func (r *restorer) push() {
	if r.s.FirmwareRetracted && !r.to.FirmwareRetracted {
		r.emit("G11")
	}
	if by := grid(r.s.DrawnBackMM - r.to.DrawnBackMM); by != 0 {
		if !r.s.RelativeE || r.s.ExtruderUnsure {
			r.emit("M83")
		}
		r.move(r.o.RetractFeedMMPerMin, " E"+number(by))
	}
	if !r.s.FirmwareRetracted && r.to.FirmwareRetracted {
		r.emit("G10")
	}
}

// coordinates gives the present point the coordinates that to has there.
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
			if setting == 204 && (b == 'P'-'A' || b == 'T'-'A') && to.Settings[i].Set&(1<<('S'-'A')) != 0 {
				continue // S says both, and either would end S
			}
			if have, ok := r.s.Settings[i].Get('A' + b); wanted && (!ok || have != want) {
				words += " " + string(rune('A'+b)) + number(want)
			}
		}
		if words != "" {
			r.emit("M" + strconv.Itoa(setting) + words)
		}
	}
	for _, line := range r.s.Lasting.back(&to.Lasting) {
		r.emit(line)
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
	touched := false // sent even if certain: one more command costs nothing
	for _, line := range r.lines {
		touched = touched || line == "G90"
	}
	if r.s.Relative != to.Relative {
		r.emit("G91")
		touched = true
	}
	if touched || r.s.ExtruderUnsure || r.s.RelativeE != to.RelativeE {
		if to.RelativeE {
			r.emit("M83")
		} else {
			r.emit("M82")
		}
	}
	if to.VolumetricMM > 0 {
		r.emit("M200 D" + number(to.VolumetricMM/to.unit()))
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
