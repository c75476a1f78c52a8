package job

import (
	"fmt"
	"math"
	"strings"

	"beltwarden/supervisor/gcode"
)

// meaning follows the modal state, and what the file relies on without setting it. Boards start in
// millimetres and absolute, but a board that has run other jobs may be in other modes.
type meaning struct {
	o     *Options
	notes *notes
	st    gcode.State
	in    gcode.Line // for lines that are not in the file

	hasUnits, hasDistance, hasExtruderMode bool // set by the file, for E words too, or noted as needed
	needUnits, needDistance, needExtruder  bool
	needExtruderZero, needBeltZero         bool
	relative                               bool // needExtruder, and E words are relative
	lost                                   bool // positions were lost once
	ambiguous                              bool // G90/G91 and M82/M83 disagree; see ambiguous
	homingSettled                          bool // no (further) finding is needed
}

func newMeaning(o *Options, n *notes) meaning { return meaning{o: o, notes: n, st: gcode.NewState()} }

// state is the state after the lines so far. It is read-only.
func (m *meaning) state() *gcode.State { return &m.st }

// apply applies the line and stores its effect in it.
func (m *meaning) apply(l *line) error {
	l.was = before{m.st.Known, m.st.NozzleTargetC, m.st.BedTargetC}
	return m.st.ApplyLine(&l.Line, &l.e)
}

// applyAdded applies a line that is sent in place of another.
func (m *meaning) applyAdded(text string) error {
	if err := m.in.Parse([]byte(text)); err != nil {
		return err
	}
	var e gcode.Effect
	return m.st.ApplyLine(&m.in, &e)
}

// heat sets the target of the bed or of the present nozzle, and reports whether it has changed.
func (m *meaning) heat(bed bool, c float64) bool {
	now := &m.st.NozzleTargetC
	if bed {
		now = &m.st.BedTargetC
	}
	was := *now
	*now = c
	return was != c
}

// stayHot undoes the switching off of a heater, unless it was switched on since.
func (m *meaning) stayHot(bed bool, c float64) {
	if bed && m.st.BedTargetC == 0 || !bed && m.st.NozzleTargetC == 0 {
		m.heat(bed, c)
	}
}

// follow notes which modes the file has set, from a line that was applied.
func (m *meaning) follow(l *line) {
	switch {
	case l.Is('G', 20), l.Is('G', 21):
		m.hasUnits = true
	case l.Is('G', 90), l.Is('G', 91):
		m.hasDistance = true
		m.ambiguous = m.st.Relative != m.st.RelativeE
	case l.Is('M', 82), l.Is('M', 83):
		m.hasExtruderMode, m.ambiguous = true, false
	}
}

// losePosition notes that a line has moved the machine in a way that cannot be followed.
func (m *meaning) losePosition() { m.lost = true }

// markHomed notes that a named command homes.
func (m *meaning) markHomed() { m.homingSettled = true }

// setExtruderMode sets the mode of E words that a named command has set.
func (m *meaning) setExtruderMode(relative bool) {
	m.hasExtruderMode, m.ambiguous = true, false
	m.st.RelativeE, m.st.ExtruderUnsure = relative, false
}

// ambiguousE reports whether boards read an E word here in two ways.
func (m *meaning) ambiguousE() bool { return m.ambiguous }

// checkAxes checks the axes that a move names, before it is applied.
func (m *meaning) checkAxes(l *line) {
	if !m.hasUnits {
		m.hasUnits, m.needUnits = true, true
	}
	moves := false
	for a := gcode.X; a <= gcode.Z; a++ {
		if !l.Has(a.Letter()) {
			continue
		}
		moves = true
		if m.st.Known[a] || m.lost {
			continue
		}
		if a == m.o.BeltAxis {
			// Movement so far is counted from the belt's initial place, so calling that place zero
			// makes the coordinate known from here on.
			m.needBeltZero = true
			m.st.Known[a] = true
		} else if !m.st.Relative && !m.homingSettled {
			m.homingSettled = true
			m.notes.add(l.n, Warning, "not-homed", "home the axes at the start of the job", "axis %s is moved before it was homed", a)
		}
	}
	if moves && !m.hasDistance {
		m.hasDistance, m.needDistance = true, true
	}
}

// extruderWord determines the mode of a move's E word before the move is applied. If the file does
// not set it and it is certain, it returns the command that does, to be sent before the line.
func (m *meaning) extruderWord(l *line, s *scanner, in SectionKind) (word, why string) {
	if !m.hasExtruderMode {
		m.hasExtruderMode, m.needExtruder = true, true
		if relative, certain := modeAhead(&m.st, s.ahead(l.from)); certain && relative {
			m.relative, m.st.RelativeE = true, true
			m.notes.add(l.n, Info, "extruder-mode-added", "write M83 at the start of the job",
				"the E words are relative, by what they would move, and nothing in the file says so; M83 is added at its start")
		}
	}
	if !m.st.RelativeE && !m.st.Known[gcode.E] {
		m.needExtruderZero = true
		m.st.Known[gcode.E] = true
	}
	if in == LeadOut || !m.ambiguous {
		return "", ""
	}
	return m.readExtruder(l, s)
}

const bothReadings = "on some boards G90 and G91 change the extruder's mode too, on others not"

func refuseAmbiguous(n *notes, line int64) {
	n.problem(line, "extruder-mode", "write M82 or M83 after every G90 and G91", "the E word depends on the board: "+bothReadings)
}

// Lengths of filament that one line plausibly moves, and certainly does not: boards refuse some 200
// mm and more (common practice, no source).
const (
	plausibleMM = 25.0
	absurdMM    = 100.0
)

// readExtruder determines the mode of an E word after a G90 or G91 that some boards apply to the
// extruder too. If both readings move the same, nothing is done. If one of them would be absurd,
// here or in the moves that follow, a command before the line makes the other certain. Otherwise
// the file is refused.
func (m *meaning) readExtruder(l *line, s *scanner) (word, why string) {
	v, ok := l.Get('E')
	if m.st.Inches {
		v *= 25.4
	}
	at := m.st.PositionMM[gcode.E]
	if !ok || at == 0 {
		return "", ""
	}
	absolute, relative := math.Abs(v-at), math.Abs(v)
	m.ambiguous = false           // once is enough
	if s.innermostRepeat() == 0 { // a command cannot be added to every repeat
		// No file continues from above the extruder's zero to below it: retractions are shorter than that.
		switch {
		case v < 0 && at > 0, relative <= plausibleMM && absolute > absurdMM:
			word = "M83"
		case absolute <= plausibleMM && relative > absurdMM:
			word = "M82"
		default:
			if relative, certain := modeAhead(&m.st, s.ahead(l.from)); certain && relative {
				word = "M83"
			} else if certain {
				word = "M82"
			}
		}
	}
	if word == "" {
		refuseAmbiguous(m.notes, l.n)
		return "", ""
	}
	meant := map[string]string{"M83": "relative", "M82": "absolute"}[word]
	m.notes.add(l.n, Info, "extruder-mode-added", "write M82 or M83 after every G90 and G91",
		"the E word can only be meant as %s, but %s; %s is added before it", meant, bothReadings, word)
	m.st.RelativeE, m.st.ExtruderUnsure = word == "M83", false
	return word, "the E word is meant as " + meant + ", and " + bothReadings
}

// checkPositions refuses a body whose ends have unknown positions.
func (m *meaning) checkPositions(begin, end *boundary) {
	if m.notes.hasProblem("motion-unknown") {
		return // reported already
	}
	belt := m.o.BeltAxis
	if !begin.st.Known[belt] && !m.lost {
		// It never moved: its place may be called zero.
		m.needBeltZero = true
		end.st.Known[belt] = true
	}
	for a := gcode.X; a <= gcode.Z; a++ {
		if !begin.st.Known[a] && !(a == belt && m.needBeltZero) {
			m.notes.problem(begin.line, "position-unknown", "home the axis, set it with G92 or move to an absolute coordinate before the part",
				"where axis %s stands when the part begins is not known, so it cannot be brought back there", a)
		} else if !end.st.Known[a] {
			m.notes.problem(end.line-1, "position-unknown", "move to an absolute coordinate at the end of the part",
				"where axis %s stands when the part ends is not known", a)
		}
	}
}

// missingModes returns the lines to send first, since the file relies on them without setting them.
func (m *meaning) missingModes(p *Plan) (front []Change) {
	put := func(need bool, text, why string) {
		if need {
			front = append(front, Change{Line: 1, Section: LeadIn, Text: text, Why: why})
		}
	}
	fan := !p.Begin.FanKnown && m.st.FanKnown
	put(m.needUnits, "G21", "the job counts on millimetres without saying so")
	put(m.needDistance, "G90", "the job counts on absolute coordinates without saying so")
	put(m.needExtruder && !m.relative, "M82", "the job counts on absolute extruder coordinates without saying so")
	put(m.relative, "M83", "the job counts on relative extruder coordinates without saying so")
	put(m.needExtruderZero, "G92 E0", "the job counts on the extruder standing at 0 without saying so")
	put(m.needBeltZero, "G92 "+m.o.BeltAxis.String()+"0", "the belt has no home: its position is set to 0")
	put(fan, "M107", "the job counts on the fan being off without saying so")
	if fan {
		p.Begin.FanKnown, p.End.FanKnown = true, true
	}
	if m.needBeltZero {
		p.Begin.Known[m.o.BeltAxis] = true
	}
	return front
}

// leftover is something that the file leaves on, and the command that switches it off.
type leftover struct{ text, what string }

// leftOn returns what the file leaves on.
func (m *meaning) leftOn() (list []leftover) {
	add := func(on bool, text, what string) {
		if on {
			list = append(list, leftover{text, what})
		}
	}
	add(m.st.NozzleTargetC > 0, "M104 S0", "nozzle heater")
	add(m.st.BedTargetC > 0, "M140 S0", "bed heater")
	add(m.st.FanS > 0, "M107", "fan")
	add(m.st.VolumetricMM > 0, "M200 D0", "reading of E words as volumes")
	for _, line := range m.st.Lasting.FansOff() {
		add(true, line, "fan of "+strings.Fields(line)[1])
	}
	for tool, c := range m.st.NozzlesC {
		add(c > 0, fmt.Sprintf("M104 T%d S0", tool), fmt.Sprintf("heater of nozzle %d", tool))
	}
	return list
}
