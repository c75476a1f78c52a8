package supervisor

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// This file holds every line that the supervisor adds to those of a job. Each is either listed with
// the lot before it runs (additions) or belongs to a procedure that the configuration describes:
// discharge, park, reheat, clearing.

// resetLineNumber restarts the board's count of the lines of a program.
var resetLineNumber = "M110 N" + strconv.Itoa(serialio.StartNumber)

// number formats a coordinate, feed or temperature as boards read it.
func number(v float64) string {
	v = math.Round(v*1e5) / 1e5
	if v == 0 {
		v = 0 // no "-0" on the wire
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// move formats a linear move of one axis.
func move(a gcode.Axis, toMM, feed float64) string {
	return "G1 " + a.String() + number(toMM) + " F" + number(feed)
}

// openingLines put the board into known modes before a lead-in. A board that has been running may have
// been left in any mode.
func (m *Machine) openingLines() []string {
	lines := []string{resetLineNumber, "G21", "G90", "M82", "M220 S100", "M221 S100",
		"G92 " + m.set.BeltAxis.String() + "0"}
	if m.set.MotorsStayOn {
		lines = append(lines, "M84 S0")
	}
	return append(lines, m.idleLines(m.set.BoardIdle)...)
}

// undoLines appends to lines, before a lead-in, those that undo settings of an earlier job, so that a
// job begins with the board's own settings.
func (m *Machine) undoLines(at gcode.State, lines []string) []string {
	if at.Tool != 0 {
		lines = append(lines, "T0")
	}
	for _, l := range lines {
		apply(&at, l)
	}
	to := at
	fresh := gcode.NewState()
	to.Settings, to.Lasting, to.NozzlesC = fresh.Settings, fresh.Lasting, fresh.NozzlesC
	to.FanS, to.FanKnown = 0, false
	return append(lines, gcode.Restore(at, to, m.restoreOptions(true))...)
}

// idleLines set the time without a move after which the board halts, which switches its heaters off
// whatever has become of this process, the computer and the cable; 0 turns that off. A halt also
// releases the motors, so the timeout is in force only while heaters may be on.
func (m *Machine) idleLines(after time.Duration) []string {
	if m.set.BoardIdle <= 0 {
		return nil
	}
	return []string{"M85 S" + number(math.Ceil(after.Seconds()))}
}

// offLines switch the heaters off and cancel the idle timeout.
func (m *Machine) offLines() []string {
	if m.lot != nil {
		for _, p := range m.lot.plans {
			if p != nil {
				m.otherHeaters.Heated(p.OtherOff)
			}
		}
	}
	return slices.Concat([]string{"M104 S0", "M140 S0"}, m.otherHeaters.Off(), m.idleLines(0))
}

// additions lists what the machine adds around a job, one of a lot's plans, for the lot's record.
func (m *Machine) additions(p *job.Plan, plans []*job.Plan) []job.Change {
	var list []job.Change
	add := func(lines []string, why string) {
		for _, l := range lines {
			list = append(list, job.Change{Section: job.LeadIn, Text: l, Why: why})
		}
	}
	if bed := p.Begin.BedTargetC; bed > 0 {
		add([]string{"M140 S" + number(bed)}, "the bed is heated before the lead-in: on some boards a wait in the job could not be interrupted")
	}
	add(m.undoLines(m.position(), m.openingLines()), "known modes before the lead-in, without what an earlier job has set; the belt counts from here; motors stay on")
	after := p.End
	for _, l := range m.dischargeProgram(p, p.End) {
		list = append(list, job.Change{Line: p.Body.LastLine + 1, Section: job.Body, Text: l, Why: "discharge of the finished part"})
		apply(&after, l)
	}
	for _, l := range m.modeLines(after, p.End) {
		list = append(list, job.Change{Line: p.LeadOut.FirstLine, Section: job.LeadOut, Text: l,
			Why: "the lead-out is read in the modes that the part ended in"})
	}
	more := "G1 " + m.set.BeltAxis.String() + "... F" + number(m.set.AdvanceFeed)
	if l, ok := m.bed.Loop(m.belt.position()); ok && l.SeamMM+l.MarginMM > 0 {
		list = append(list, job.Change{Line: p.Body.FirstLine, Section: job.Body, Text: more,
			Why: fmt.Sprintf("before a part that would lie on the seam the belt advances further, by at most %.0f mm", l.LongestExtraMM(spanOf(p)))})
	}
	if m.bed.Wear != nil {
		list = append(list, job.Change{Line: p.Body.FirstLine, Section: job.Body, Text: more,
			Why: fmt.Sprintf("before the first part of a run the belt advances by up to a pitch, %.0f mm, to where fewest parts have lain", p.PitchMM)})
	}
	for _, l := range gcode.Restore(after, p.Begin, m.restoreOptions(true)) {
		list = append(list, job.Change{Line: p.Body.FirstLine, Section: job.Body, Text: l,
			Why: "every part begins in the state in which the first began"})
	}
	for _, other := range plans {
		if other == p {
			continue
		}
		also := func(kind job.SectionKind, lines []string) {
			for _, l := range lines {
				if !slices.ContainsFunc(list, func(c job.Change) bool { return c.Section == kind && c.Text == l }) {
					list = append(list, job.Change{Line: p.Section(kind).FirstLine, Section: kind, Text: l,
						Why: "after another job of the lot, so that this one begins as it would by itself"})
				}
			}
		}
		after := other.End
		for _, l := range m.dischargeProgram(other, other.End) {
			apply(&after, l)
		}
		also(job.LeadIn, m.undoLines(after, m.openingLines()))
		also(job.Body, gcode.Restore(after, p.Begin, m.restoreOptions(true)))
		for _, argument := range gcode.Leftovers(after, p.Begin, m.restoreOptions(true)) { // until the board reports its own
			also(job.Body, []string{argument + "..."})
		}
	}
	return list
}

// millimetreLines returns what makes a board read millimetres, if it does not already: our own lines are in
// millimetres, and a lead-in or lead-out may end in inches.
func millimetreLines(at gcode.State) []string {
	if at.Inches {
		return []string{"G21"}
	}
	return nil
}

// lengthELines returns lines whose E words are lengths of filament, whatever mode the job has set.
func lengthELines(at gcode.State, lines ...string) []string {
	if at.VolumetricMM > 0 {
		return append([]string{"M200 D0"}, lines...)
	}
	return lines
}

// apply applies a line of our own to the state. It cannot fail, which a test verifies.
func apply(s *gcode.State, line string) { s.Apply([]byte(line)) }

// restoreOptions define how to move from one part to the next. A head that is already lifted travels
// at its present height.
func (m *Machine) restoreOptions(headUp bool) gcode.RestoreOptions {
	clearMM := m.set.LiftMM
	if headUp {
		clearMM = 0
	}
	return gcode.RestoreOptions{BeltAxis: m.set.BeltAxis, LiftAxis: m.set.LiftAxis,
		ClearMM: clearMM, TravelFeedMMPerMin: m.set.TravelFeed, LiftFeedMMPerMin: m.set.LiftFeed, RetractFeedMMPerMin: m.set.RetractFeed,
		Own: &m.link.board.OwnSettings}
}

// completeLegs are the lead-out of the newest job, and the advance that takes the last parts over the
// drop edge.
func (m *Machine) completeLegs() []leg {
	var legs []leg
	if k := m.lot.Last; k >= 0 && k < len(m.lot.plans) {
		legs = append(legs, leg{doing: "lead-out of " + m.lot.Jobs[k].Name, program: func() Program {
			plan := m.lot.plans[k]
			return Program{Before: m.modeLines(m.position(), plan.End), Plan: plan, Section: job.LeadOut}
		}})
	}
	if m.set.ClearAtEnd && m.set.ToDropMM > 0 {
		legs = append(legs, m.clearBeltLegs()...)
	}
	return append(legs, m.offLeg(true))
}

// modeLines puts the board into the modes of a state without moving anything: a lead-out expects the
// modes in which the part ended.
func (m *Machine) modeLines(at, end gcode.State) []string {
	to := at
	to.Inches, to.Relative, to.RelativeE, to.Plane = end.Inches, end.Relative, end.RelativeE, end.Plane
	to.PositionMM[gcode.E], to.FeedMMPerMin = end.PositionMM[gcode.E], end.FeedMMPerMin
	to.FeedPercent, to.FlowPercent = end.FeedPercent, end.FlowPercent
	return gcode.Restore(at, to, m.restoreOptions(true))
}

// clearBeltLegs run everything on the belt over the drop edge.
func (m *Machine) clearBeltLegs() []leg {
	var legs []leg
	if at := m.position(); m.coolsFirst(at) || m.temps.hasBed && m.set.ReleaseC > 0 && m.temps.bedC > m.set.ReleaseC {
		legs = append(legs, leg{program: func() Program { return Program{Before: []string{"M140 S0"}} }, doing: "cooling"})
	}
	legs = append(legs, m.coolLegs("cooling until the parts let go")...)
	return append(legs, m.advanceLegs("running the parts over the drop edge", m.set.ToDropMM+m.longestPitch(),
		func(at gcode.State) float64 { return at.PositionMM[m.set.BeltAxis] },
		"parts may still be on the belt", func() {
			m.belt.cleared()
			m.bed.Clear()
		})...)
}

// longestPitch is how far behind the nozzle a part may reach.
func (m *Machine) longestPitch() float64 {
	longest := 0.0
	if m.lot != nil {
		for _, j := range m.lot.Jobs {
			longest = max(longest, j.PitchMM)
		}
	}
	return longest
}

// parkLegs bring the head to rest between parts: nozzle at standby, bed off.
func (m *Machine) parkLegs() []leg {
	return []leg{{
		doing: "parking the head",
		program: func() Program {
			at := m.position()
			lines := []string{resetLineNumber}
			if !m.headUp {
				lines = append(lines, m.liftLines(at, at.PositionMM[m.set.LiftAxis], m.canExtrude(at))...)
			}
			if at.NozzleTargetC > m.set.NozzleStandbyC {
				lines = append(lines, "M104 S"+number(m.set.NozzleStandbyC))
			}
			if at.BedTargetC > 0 {
				lines = append(lines, "M140 S0")
			}
			return Program{Before: append(lines, "M400")}
		},
		end: func() { m.headUp = true },
	}}
}

// reheatLegs heat the machine again and push out what oozed or aged in the nozzle while it waited.
func (m *Machine) reheatLegs() []leg {
	k := m.lot.Next()
	if k < 0 {
		return nil
	}
	legs := append([]leg{m.positionLeg()}, m.heatLegs(m.lot.plans[k].Begin)...)
	return append(legs, leg{
		doing: "priming",
		program: func() Program {
			lines := []string{resetLineNumber}
			at := m.position()
			if m.set.PrimeMM > 0 && m.canExtrude(at) {
				lines = append(lines, lengthELines(at, "M83", "G1 E"+number(at.DrawnBackMM+m.set.PrimeMM)+" F"+number(m.set.RetractFeed),
					"G1 E"+number(-m.set.RetractMM)+" F"+number(m.set.RetractFeed))...)
			}
			return Program{Before: append(lines, "M400")}
		},
	})
}

// canExtrude reports whether filament moves in the nozzle. Its target was hot enough, and so are its
// newest two readings, of which one may have been damaged on its way; it may have cooled since. Boards
// refuse cold extrusion below about 170 °C (common practice, no source), and a cold extruder grinds
// the filament.
func (m *Machine) canExtrude(at gcode.State) bool {
	readC := min(m.temps.nozzleC, m.temps.earlierNozzleC)
	return targetMelts(at) && m.temps.nozzleFresh() && readC >= max(coldC, min(coldC+cooledC, at.NozzleTargetC-heatWindowC))
}

// targetMelts reports whether the nozzle's target is hot enough.
func targetMelts(at gcode.State) bool { return at.NozzleTargetC >= coldC && !at.FirmwareRetracted }

// cooledC is how far a nozzle may have cooled since it was read.
const cooledC = 10

const coldC = 170

// liftLines retract the filament where the nozzle is hot and the job has not retracted, raise the head
// above what lies under it and move it to where it waits.
func (m *Machine) liftLines(at gcode.State, aboveMM float64, hot bool) []string {
	lines := []string{"G21", "G90"}
	if back := m.set.RetractMM - at.DrawnBackMM; hot && back > 1e-6 {
		lines = append(lines, lengthELines(at, "M83", "G1 E"+number(-back)+" F"+number(m.set.RetractFeed))...)
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

// liftUnknownLines raises the head from an unknown position: a board that has restarted does not know it, and
// the head may be low in a part that the belt is about to move.
func (m *Machine) liftUnknownLines() []string {
	return []string{"G21", "G91", move(m.set.LiftAxis, m.set.LiftMM, m.set.LiftFeed), "G90"}
}

// advanceLines move the belt by mm along the forward direction, in pieces that the board's travel
// limit allows, and leave the belt coordinate at endMM. The coordinate is set before each piece, so no
// piece can leave the travel. It is not set after the last piece: a board that has dropped its move
// then reports another position.
func (m *Machine) advanceLines(mm, endMM float64) []string {
	return m.advanceLinesAt(mm, endMM, m.set.AdvanceFeed, m.set.TravelLimitMM)
}

// advanceLinesAt is advanceLines with a feed, mm/min, and a maximum length of a piece of its own.
func (m *Machine) advanceLinesAt(mm, endMM, feed, pieceMM float64) []string {
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

// pieces is the number of pieces in an advance of which none is longer than pieceMM.
func pieces(mm, pieceMM float64) int { return int(math.Ceil(math.Abs(mm)/pieceMM - 1e-9)) }

// advanceLegs move the belt by mm and query the board's position after each piece. A board that scans
// for immediate-stop words does so before it verifies any checksum, and one flipped bit turns the wait
// for motion into such a word. Elsewhere has the meaning given; done follows the last piece.
func (m *Machine) advanceLegs(doing string, mm float64, endMM func(at gcode.State) float64, meaning string, done func()) []leg {
	return m.advanceLegsAt(m.set.AdvanceFeed, m.set.TravelLimitMM, doing, mm, endMM, meaning, done)
}

// advanceLegsAt is advanceLegs with a feed, mm/min, and a maximum length of a piece of its own.
func (m *Machine) advanceLegsAt(feed, pieceMM float64, doing string, mm float64, endMM func(at gcode.State) float64, meaning string, done func()) []leg {
	n := max(1, pieces(mm, pieceMM))
	var legs []leg
	for k := range n {
		legs = append(legs, leg{
			doing: doing,
			program: func() Program {
				at := m.position()
				lines := append(millimetreLines(at), m.advanceLinesAt(mm/float64(n), endMM(at), feed, pieceMM)...)
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

// dischargeMM is the belt advance after a part: the pitch less what its body has advanced the belt
// already, so that the next part's origin lies one pitch behind. A body that has advanced the belt
// further is left there; running back would bring finished parts back.
func (m *Machine) dischargeMM(p *job.Plan) float64 { return p.PitchMM - p.BeltAdvanceMM }

// releaseLines lift the head and let nozzle and bed cool to the temperature at which the part lets go.
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
	lines := m.releaseLines(p, end, targetMelts(end))
	for _, l := range m.dischargeAdvanceLegs(p) {
		lines = append(lines, l.program().Before...)
	}
	return lines
}

// dischargeAdvanceLegs advance the belt after a part.
func (m *Machine) dischargeAdvanceLegs(p *job.Plan) []leg {
	return m.advanceLegs("advancing the belt", m.dischargeMM(p), func(gcode.State) float64 { return p.Begin.PositionMM[m.set.BeltAxis] },
		"the finished part may be where the next one would be laid", func() {})
}

// dischargeLegs move a finished part off: cool, lift, advance. The line numbers restart, since the
// count of the part is durable by now.
func (m *Machine) dischargeLegs(p *job.Plan) []leg {
	var end gcode.State
	legs := []leg{{
		doing: "lifting off the finished part",
		program: func() Program {
			end = m.position()
			return Program{Before: append([]string{resetLineNumber}, m.releaseLines(p, end, m.canExtrude(end))...)}
		},
		end: func() { m.headUp = true },
	}}
	legs = append(legs, m.coolLegs("cooling until the part lets go")...)
	return append(legs, m.dischargeAdvanceLegs(p)...)
}

// coolLegs wait until the bed itself is cool enough, whatever its last target was: a job may have
// turned it down moments ago. With a cold bed that costs one reading.
func (m *Machine) coolLegs(doing string) []leg {
	if m.set.ReleaseC <= 0 {
		return nil
	}
	return []leg{{doing: doing, wait: &wait{bedToC: m.set.ReleaseC, limit: m.set.ReleaseLimit}}}
}

// Additions lists every line that a run with these settings puts around the lines of a job: before its
// lead-in, between two parts and before its lead-out. The record of a lot has the same list.
func Additions(s Settings, p *job.Plan) []job.Change {
	m := newMachine(s.withDefaults())
	return m.additions(p, nil)
}
