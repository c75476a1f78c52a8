package job

import "beltwarden/supervisor/gcode"

// danger keeps which dangers of moves were noted, since each is said once.
type danger struct {
	below, belowLeadIn bool
	outside            [3]bool
}

// watchPlace looks at where a move ends: below the belt, or outside the machine. The
// start of a first move is left out, because the place after homing is the board's.
func (i *inspector) watchPlace(e *gcode.Effect) {
	lift := i.o.lift()
	for a := gcode.X; a <= gcode.Z; a++ {
		if e.RadiusMM > 0 && i.st.Known[a] { // an arc may bulge out between its ends
			i.judgePlace(a, e.MinMM[a]+i.st.OffsetMM[a])
			i.judgePlace(a, e.MaxMM[a]+i.st.OffsetMM[a])
		}
		if !e.Names(a) || !i.st.Known[a] {
			continue
		}
		r, near := i.o.RangeMM[a], i.st.PositionMM[a]+i.st.OffsetMM[a]
		if !(a == lift && near < 0) && !(r[0] < r[1] && (near < r[0] || near > r[1])) {
			continue // nearly every move, which spares it the rounding
		}
		i.judgePlace(a, i.st.MachineMM(a))
	}
}

// judgePlace notes a place that an axis goes to and should not.
func (i *inspector) judgePlace(a gcode.Axis, mm float64) {
	d, r := &i.danger, i.o.RangeMM[a]
	if a == i.o.lift() && mm < -belowBeltMM {
		i.below(d, a, mm)
	}
	const rounding = 1e-6 // of an arc's extremes
	if r[0] < r[1] && (mm < r[0]-rounding || mm > r[1]+rounding) && !d.outside[a] {
		d.outside[a] = true
		i.notes.find(i.n, Error, "outside-machine", "slice the part for this machine, or correct the range in the configuration",
			"axis %s goes to %.2f mm, outside %g to %g mm", a, mm, r[0], r[1])
	}
}

// below notes a nozzle that presses into the belt. Before the part it may be a probe
// or a wipe that someone put there; inside the part it cuts the belt.
func (i *inspector) below(d *danger, a gcode.Axis, mm float64) {
	const text = "axis %s goes to %.2f mm, and the belt's surface is at 0"
	switch {
	case i.section == LeadIn && !d.belowLeadIn:
		d.belowLeadIn = true
		i.notes.find(i.n, Info, "below-belt", "make sure that nothing of the belt is under the nozzle there", text, a, mm)
	case i.section != LeadIn && !d.below:
		d.below = true
		i.notes.find(i.n, Error, "below-belt", "slice the part so that it stands on the belt", text, a, mm)
	}
}

// handled notes what a withheld line would have done, where that is a danger.
func (i *inspector) handled(r *rule) {
	if !i.fresh || r.withhold == "" {
		return
	}
	switch {
	case r.homes && r.homesOff && i.section == LeadIn && i.namesBelt():
		i.notes.find(i.n, Info, "belt-homing", "home only axes with an end stop",
			"the belt has no end stop and would run without end; the line is not sent, and the place where the belt stands is called 0")
	case i.section == Body && i.cut != byItself:
		if bed, c, ok := heats(&i.l, i.st.Tool); ok && c == 0 {
			name := "nozzle"
			if bed {
				name = "bed"
			}
			i.notes.find(i.n, Warning, "heater-off-in-part", "take it out of the part", "the %s is switched off inside the part; the line is not sent", name)
		}
	}
}

// namesBelt reports whether a homing word means the belt, by name or by naming none.
func (i *inspector) namesBelt() bool {
	l := &i.l
	return l.Has(i.o.BeltAxis.Letter()) || !l.Has('X') && !l.Has('Y') && !l.Has('Z')
}
