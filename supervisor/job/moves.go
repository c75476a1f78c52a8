package job

import "beltwarden/supervisor/gcode"

// moves notes where moves must not go. Each danger is noted once.
type moves struct {
	o     *Options
	notes *notes

	below, belowLeadIn bool
	outside            [3]bool
	relative, noFeed   bool
}

// watch checks a move, already applied.
func (m *moves) watch(l *line, st *gcode.State, in SectionKind) {
	m.place(l, st, in)
	if in != Body {
		return
	}
	if st.Relative && !m.relative {
		for a := gcode.X; a <= gcode.Z; a++ {
			if l.e.Names(a) && !l.was.known[a] && !m.relative {
				m.relative = true
				m.notes.problem(l.n, "position-unknown", "home the axis or move to an absolute coordinate before G91", "axis %s is moved relatively from an unknown position", a)
			}
		}
	}
	if l.e.Extruding && l.e.FeedMMPerMin == 0 && !m.noFeed {
		m.noFeed = true
		m.notes.add(l.n, Warning, "no-feed", "give F in the first move of the part", "the speed is the board's own, since no feed was set")
	}
}

// homed checks a homing.
func (m *moves) homed(l *line, in SectionKind) {
	if in == LeadOut && l.e.Names(gcode.Z) {
		m.notes.add(l.n, Warning, "homed-at-end", "home only X at the end", "Z is homed at the end, where the last part may stand")
	}
}

// place checks the end of a move: below the belt, or outside the machine. The start of a first move
// is ignored, because the place after homing is the board's.
func (m *moves) place(l *line, st *gcode.State, in SectionKind) {
	lift, e := m.o.lift(), &l.e
	for a := gcode.X; a <= gcode.Z; a++ {
		if e.RadiusMM > 0 && st.Known[a] { // an arc may bulge out between its ends
			m.judge(l.n, a, e.MinMM[a]+st.OffsetMM[a], in)
			m.judge(l.n, a, e.MaxMM[a]+st.OffsetMM[a], in)
		}
		if !e.Names(a) || !st.Known[a] {
			continue
		}
		r, near := m.o.RangeMM[a], st.PositionMM[a]+st.OffsetMM[a]
		if !(a == lift && near < 0) && !(r[0] < r[1] && (near < r[0] || near > r[1])) {
			continue // nearly every move, without the cost of rounding
		}
		m.judge(l.n, a, st.MachineMM(a), in)
	}
}

// judge notes an axis position that is not allowed.
func (m *moves) judge(n int64, a gcode.Axis, mm float64, in SectionKind) {
	if a == m.o.lift() && mm < -belowBeltMM {
		m.pressed(n, a, mm, in)
	}
	const rounding = 1e-6 // of an arc's extremes
	if r := m.o.RangeMM[a]; r[0] < r[1] && (mm < r[0]-rounding || mm > r[1]+rounding) && !m.outside[a] {
		m.outside[a] = true
		m.notes.add(n, Error, "outside-machine", "slice the part for this machine, or correct the range in the configuration",
			"axis %s goes to %.2f mm, outside %g to %g mm", a, mm, r[0], r[1])
	}
}

// pressed notes a nozzle that presses into the belt. Before the part it may be an intended probe or
// wipe; inside the part it cuts the belt.
func (m *moves) pressed(n int64, a gcode.Axis, mm float64, in SectionKind) {
	const text = "axis %s goes to %.2f mm, and the belt's surface is at 0"
	switch {
	case in == LeadIn && !m.belowLeadIn:
		m.belowLeadIn = true
		m.notes.add(n, Info, "below-belt", "make sure that nothing of the belt is under the nozzle there", text, a, mm)
	case in != LeadIn && !m.below:
		m.below = true
		m.notes.add(n, Error, "below-belt", "slice the part so that it stands on the belt", text, a, mm)
	}
}
