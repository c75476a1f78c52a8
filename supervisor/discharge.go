package supervisor

import (
	"math"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// liftLines draw the filament back where it is hot and the job has not, raise the head over what lies under
// it and put it where it waits.
func (m *Machine) liftLines(at gcode.State, aboveMM float64, hot bool) []string {
	lines := []string{"G21", "G90"}
	if back := m.set.RetractMM - at.DrawnBackMM; hot && back > 1e-6 {
		lines = append(lines, lengths(at, "M83", "G1 E"+number(-back)+" F"+number(m.set.RetractFeed))...)
	}
	if at.Known[m.set.LiftAxis] {
		top := max(at.PositionMM[m.set.LiftAxis], aboveMM) + m.set.LiftMM
		lines = append(lines, move(m.set.LiftAxis, top, m.set.LiftFeed))
	}
	if m.set.Park && at.Known[gcode.X] {
		lines = append(lines, move(gcode.X, m.set.ParkXMM, m.set.TravelFeed))
	}
	return lines
}

// liftBlind raises the head from wherever it stands: a board that has restarted does not know where
// that is, and the head may be low in a part that the belt is about to move.
func (m *Machine) liftBlind() []string {
	return []string{"G21", "G91", move(m.set.LiftAxis, m.set.LiftMM, m.set.LiftFeed), "G90"}
}

// advanceLines move the belt by mm along the forward direction, in pieces that
// the board's travel limit allows, and leave the belt coordinate at endMM. The
// coordinate is set before each piece, so no piece can leave the travel. None is set behind
// the last: a board that has dropped its move then stands elsewhere, and says so.
func (m *Machine) advanceLines(mm, endMM float64) []string {
	return m.advanceAt(mm, endMM, m.set.AdvanceFeed, m.set.TravelLimitMM)
}

// advanceAt is advanceLines with a feed, mm/min, and a longest piece of its own.
func (m *Machine) advanceAt(mm, endMM, feed, pieceMM float64) []string {
	axis := m.set.BeltAxis.String()
	lines := []string{"G90"}
	pieces := pieces(mm, pieceMM)
	if pieces == 0 {
		return append(lines, "G92 "+axis+number(endMM))
	}
	step := m.set.Forward * mm / float64(pieces)
	for n := range pieces {
		to := step
		if n == pieces-1 {
			to = endMM
		}
		lines = append(lines, "G92 "+axis+number(to-step), move(m.set.BeltAxis, to, feed))
	}
	return lines
}

// pieces is in how many an advance is run of which none is longer than pieceMM.
func pieces(mm, pieceMM float64) int { return int(math.Ceil(math.Abs(mm)/pieceMM - 1e-9)) }

// advanceLegs move the belt by mm with the board asked behind each piece where it stands: one
// that looks for words to stop at once does so before any checksum, and one bit makes such a word
// of the wait for motion. Elsewhere has the meaning given; done follows the last piece.
func (m *Machine) advanceLegs(doing string, mm float64, endMM func(at gcode.State) float64, meaning string, done func()) []leg {
	return m.advanceLegsAt(m.set.AdvanceFeed, m.set.TravelLimitMM, doing, mm, endMM, meaning, done)
}

// advanceLegsAt is advanceLegs with a feed, mm/min, and a longest piece of its own.
func (m *Machine) advanceLegsAt(feed, pieceMM float64, doing string, mm float64, endMM func(at gcode.State) float64, meaning string, done func()) []leg {
	n := max(1, pieces(mm, pieceMM))
	var legs []leg
	for k := range n {
		legs = append(legs, leg{
			doing: doing,
			program: func() Program {
				at := m.position()
				lines := append(inMM(at), m.advanceAt(mm/float64(n), endMM(at), feed, pieceMM)...)
				return Program{Before: append(lines, "M400", "M114")}
			},
			end: func() {
				if !m.failIfDisplaced(meaning) && k == n-1 {
					done()
				}
			},
		})
	}
	return legs
}

// dischargeMM is the belt advance after a part: what its body has not advanced
// the belt already, so that the next part's origin lies one pitch behind. A body
// that has advanced it further is left at that; running back would bring finished
// parts back.
func (m *Machine) dischargeMM(p *job.Plan) float64 { return p.PitchMM - p.BeltAdvanceMM }

// releaseLines lift the head and let nozzle and bed cool to what lets the part go.
func (m *Machine) releaseLines(p *job.Plan, end gcode.State, hot bool) []string {
	lines := m.liftLines(end, p.ExtentMM.Axis(m.set.LiftAxis)[1], hot)
	if end.NozzleTargetC > m.set.NozzleStandbyC && m.coolsFirst(end) {
		lines = append(lines, "M104 S"+number(m.set.NozzleStandbyC))
	}
	if m.coolsFirst(end) {
		lines = append(lines, "M140 S0")
	}
	return lines
}

// coolsFirst reports whether the bed is hot enough to hold the part.
func (m *Machine) coolsFirst(end gcode.State) bool {
	return m.set.ReleaseC > 0 && end.BedTargetC > m.set.ReleaseC
}

// dischargeProgram is the whole discharge, for the lot's record and for tests.
func (m *Machine) dischargeProgram(p *job.Plan, end gcode.State) []string {
	// A part that was just made was made hot.
	lines := m.releaseLines(p, end, mayMelt(end))
	for _, l := range m.carryLegs(p) {
		lines = append(lines, l.program().Before...)
	}
	return lines
}

// carryLegs advance the belt after a part.
func (m *Machine) carryLegs(p *job.Plan) []leg {
	return m.advanceLegs("advancing the belt", m.dischargeMM(p), func(gcode.State) float64 { return p.Begin.PositionMM[m.set.BeltAxis] },
		"the finished part may be where the next one would be laid", func() {})
}

// dischargeLegs move a finished part off: cool, lift, advance. The line numbers
// begin anew, since the count of the part is durable by now.
func (m *Machine) dischargeLegs(p *job.Plan) []leg {
	var end gcode.State
	legs := []leg{{
		doing: "lifting off the finished part",
		program: func() Program {
			end = m.position()
			return Program{Before: append([]string{countAnew}, m.releaseLines(p, end, m.mayExtrude(end))...)}
		},
		end: func() { m.headUp = true },
	}}
	legs = append(legs, m.coolLegs("cooling until the part lets go")...)
	return append(legs, m.carryLegs(p)...)
}

// coolLegs wait until the bed itself is cool enough, whatever was asked of it last:
// a job may have turned it down moments ago. A cold one costs a reading.
func (m *Machine) coolLegs(doing string) []leg {
	if m.set.ReleaseC <= 0 {
		return nil
	}
	return []leg{{doing: doing, wait: &wait{bedToC: m.set.ReleaseC, limit: m.set.ReleaseLimit}}}
}
