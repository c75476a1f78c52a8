package job

import (
	"fmt"
	"math"
	"strings"

	"beltwarden/supervisor/gcode"
)

// meaning follows the modal state, and what the file relies on without saying it. Boards start in
// millimetres and absolute, but a board that has run other jobs may not be so.
type meaning struct {
	o     *Options
	notes *notes
	st    gcode.State
	in    gcode.Line // a line that the file does not have

	hasUnits, hasDistance, hasExtruderMode bool // the file has said it, said of E words, or it was noted as needed
	needUnits, needDistance, needExtruder  bool
	needExtruderZero, needBeltZero         bool
	relative                               bool // needExtruder, and E words are relative
	lost                                   bool // positions were lost once
	ambiguous                              bool // G90/G91 and M82/M83 disagree; see ambiguous
	homingSettled                          bool // noted already
}

func newMeaning(o *Options, n *notes) meaning { return meaning{o: o, notes: n, st: gcode.NewState()} }

// state is that after the lines so far, for others to read.
func (m *meaning) state() *gcode.State { return &m.st }

// apply takes the line in and writes what it does to it.
func (m *meaning) apply(l *line) error {
	l.was = before{m.st.Known, m.st.NozzleTargetC, m.st.BedTargetC}
	return m.st.ApplyLine(&l.Line, &l.e)
}

// applyAdded applies a line that is sent in the place of another.
func (m *meaning) applyAdded(text string) error {
	if err := m.in.Parse([]byte(text)); err != nil {
		return err
	}
	var e gcode.Effect
	return m.st.ApplyLine(&m.in, &e)
}

// heat sets the target of the bed or of the nozzle in use, and reports whether it was another.
func (m *meaning) heat(bed bool, c float64) bool {
	now := &m.st.NozzleTargetC
	if bed {
		now = &m.st.BedTargetC
	}
	was := *now
	*now = c
	return was != c
}

// stayHot takes back that a heater was switched off, unless it was switched on since.
func (m *meaning) stayHot(bed bool, c float64) {
	if bed && m.st.BedTargetC == 0 || !bed && m.st.NozzleTargetC == 0 {
		m.heat(bed, c)
	}
}

// follow takes in which modes the file has set, by a line that was applied.
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

// markHomed notes that a word of the board's own homes.
func (m *meaning) markHomed() { m.homingSettled = true }

// setExtruderMode sets how E words are meant, since a word of the board's own has.
func (m *meaning) setExtruderMode(relative bool) {
	m.hasExtruderMode, m.ambiguous = true, false
	m.st.RelativeE, m.st.ExtruderUnsure = relative, false
}

// ambiguousE reports whether boards read an E word in two ways here.
func (m *meaning) ambiguousE() bool { return m.ambiguous }

// checkAxes takes in which axes a move names, before it is applied.
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
			// Movement so far is counted from where the belt stood at the start, so
			// calling that place zero makes the coordinate known from there on.
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

// extruderWord settles how the E word of a move is meant, before it is applied. Where the file does
// not say it and it is certain, it returns the word that does, to be sent before the line.
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

// Lengths of filament that one line plausibly moves, and beyond any doubt does
// not: boards refuse some 200 mm and more (common practice, no source).
const (
	plausibleMM = 25.0
	absurdMM    = 100.0
)

// readExtruder settles how an E word is meant after a G90 or G91 that some boards
// take for the extruder too. Nothing is to settle where both readings move the
// same. Where one of them would be absurd, here or in the moves that follow, the other is
// made certain by a word before the line. Otherwise the file is refused.
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
	if s.innermostRepeat() == 0 { // a word cannot be added to every repeat
		// Nobody counts on from above the extruder's zero to below it: less is drawn back than that.
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

// checkPositions refuses a body whose ends cannot be placed.
func (m *meaning) checkPositions(begin, end *boundary) {
	if m.notes.hasProblem("motion-unknown") {
		return // said already
	}
	belt := m.o.BeltAxis
	if !begin.st.Known[belt] && !m.lost {
		// Never moved so far: where it stands may as well be called zero.
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

// missingModes is what goes before all lines, since the file relies on it without saying it.
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

// leftover is something that the file leaves on, and the word that switches it off.
type leftover struct{ text, what string }

// leftOn is what the file leaves on.
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
