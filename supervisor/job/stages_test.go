package job

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"beltwarden/supervisor/gcode"
)

// Each stage of the inspection by itself: what it is given, and what it answers.

// lineOf is a line as the scanner and the parser leave it.
func lineOf(t *testing.T, n int64, text string) *line {
	t.Helper()
	l := &line{n: n, text: []byte(text), fresh: true, size: size{source: int64(len(text)) + 1}}
	if err := l.Parse(l.text); err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return l
}

// scannerOf reads a text.
func scannerOf(text string, limit int64) (scanner, *notes) {
	n := newNotes()
	return newScanner(context.Background(), strings.NewReader(text), int64(len(text)), limit, &n), &n
}

func codes(list []Finding) string {
	var all []string
	for _, f := range list {
		all = append(all, fmt.Sprintf("%d:%s", f.Line, f.Code))
	}
	return strings.Join(all, " ")
}

func texted(list []Change) string {
	var all []string
	for _, c := range list {
		all = append(all, fmt.Sprintf("%d:%s", c.Line, c.Text))
	}
	return strings.Join(all, " ")
}

func TestScannerGoesBack(t *testing.T) {
	const text = ";a\nM808 L3\nM107\nM808\n;c"
	for _, test := range []struct {
		limit       int64
		want, wrong string
	}{
		{1000, "1 2 3 4 -3 -4 -3 -4 5", ""},
		{10, "1 2 3 4 -3 -4 5", "2:repeat-size"}, // 10 bytes are read again each time
	} {
		s, n := scannerOf(text, test.limit)
		var l line
		var got []string
		for s.next(&l) != io.EOF {
			at := l.n
			if !l.fresh {
				at = -at
			}
			got = append(got, fmt.Sprint(at))
			if err := l.Parse(l.text); err != nil {
				t.Fatal(err)
			}
			switch {
			case l.Has('L'):
				s.open(&l, 0)
				if s.innermostRepeat() != 2 {
					t.Errorf("inside the repeat of line %d, want 2", s.innermostRepeat())
				}
			case l.Is('M', 808):
				if err := s.closeRepeat(&l); err != nil {
					t.Fatal(err)
				}
			}
		}
		if strings.Join(got, " ") != test.want || codes(n.refusals()) != test.wrong || s.last() != 5 || s.innermostRepeat() != 0 {
			t.Errorf("lines %v, want %s; problems %q; last %d, repeating %d", got, test.want, codes(n.refusals()), s.last(), s.innermostRepeat())
		}
	}
}

func TestMeaningSaysWhatIsUnsaid(t *testing.T) {
	for _, test := range []struct{ lines, word, unsaid string }{
		{"G1 X1 Y2 E1", "", "1:G21 1:G90 1:M82 1:G92 E0 1:G92 Y0"},
		{"G21|G90|M82|G92 E0|G92 Y0|G1 X1 Y2 E1", "", ""},
		{"G21|G90|M83|G92 Y0|G1 X1 E1|M106 S9", "", "1:M107"},
		{"G21|M82|G91|G92 Y0 E300|G1 X1 E1", "M83", ""},   // 299 mm drawn back are none
		{"G21|M83|G90|G92 Y0 E300|G1 X1 E301", "M82", ""}, // 301 mm pushed are none
	} {
		n := newNotes()
		o := upright
		m := newMeaning(&o, &n)
		s, _ := scannerOf("", 0)
		word := ""
		for k, text := range strings.Split(test.lines, "|") {
			l := lineOf(t, int64(k+1), text)
			if l.Letter == 'G' && l.Number == 1 {
				if l.Has('E') {
					word, _ = m.extruderWord(l, &s, LeadIn)
				}
				m.checkAxes(l)
			}
			if err := m.apply(l); err != nil {
				t.Fatal(err)
			}
			m.follow(l)
		}
		p := &Plan{}
		if got := texted(m.missingModes(p)); word != test.word || got != test.unsaid {
			t.Errorf("%s: word %q and unsaid %q, want %q and %q", test.lines, word, got, test.word, test.unsaid)
		}
		if m.state().RelativeE != (strings.Contains(test.lines, "M83") && test.word == "" || test.word == "M83") {
			t.Errorf("%s: relative E words: %v", test.lines, m.state().RelativeE)
		}
	}
}

// The cutter sees lines, and its answers are written down: b before a line that may begin the
// part, B where it begins, p in the purge, e where it may end before a line, G where it goes on.
func TestCutterAnswers(t *testing.T) {
	for _, test := range []struct{ name, lines, want, sections, found string }{
		{"drawn back and lifted", "G92 E0|G1 X0 Y0 Z0.2|G1 X9 E1|G1 X0 Y1 E2|G1 E1|G1 Z5|G0 X90", "3b 3B 5e 6e 7e", "lead_in lead_in body body body body body", ""},
		{"goes on after a travel", "G1 X9 E1|G0 X50|G1 X60 E2", "1b 1B 2e", "body body body", ""},
		{"heated again", "G1 X9 E1|M104 S0|M104 S200|G1 X8 E2", "1b 1B 2e 4G", "body lead_out lead_out body", "2:heater-cycled"},
		{"belt homed in it", "G1 X9 E1|G28|G1 X8 E2", "1b 1B 2e", "body body body", "2:belt-homed"},
		{"marked", ";beltwarden body begin|G1 X9 E1|;beltwarden body end|G0 X0", "1>B 3<E", "body body lead_out lead_out", ""},
		{"marked twice", ";beltwarden body begin|;beltwarden body begin|G1 X9 E1", "1>B", "body body body", "2:markers"},
		{"repeated", "M808 L0|G1 X9 E1|M808", "1>B 3<E", "body body lead_out", ""},
	} {
		n := newNotes()
		o := upright
		c := newCutter(&o, &n)
		m := newMeaning(&o, &n)
		sum := newTally(&o, m.state())
		s, _ := scannerOf("", 0)
		var got, sections []string
		said := func(n int64, what string) { got = append(got, fmt.Sprintf("%d%s", n, what)) }
		for k, text := range strings.Split(test.lines, "|") {
			l := lineOf(t, int64(k+1), text)
			here := boundary{line: l.n, st: *m.state()}
			turn := noEffect
			if begin, end := parseMarker(l.text); begin || end {
				turn = c.marker(l, begin, 0)
			} else if l.Is('M', 808) {
				turn = c.repeat(l, false)
			}
			switch turn {
			case beginsAfter:
				*c.beginAt() = here
				said(l.n, ">B")
			case endsBefore:
				*c.endAt() = here
				said(l.n, "<E")
			}
			if c.mayEnd(l, m.state()) {
				*c.endAt() = here
				said(l.n, "e")
			}
			if l.Has('E') && l.Has('X') && c.mayBegin() {
				*c.beginBefore() = here
				said(l.n, "b")
			}
			if err := m.apply(l); err != nil {
				t.Fatal(err)
			}
			if l.Is('G', 28) {
				c.homes(l, true)
			}
			if l.e.Extruding {
				switch c.extrudes(l, m.state(), &s) {
				case extrudesFirst:
					said(l.n, "B")
				case extrudesPurge:
					said(l.n, "p")
				case extrudesAfterTail:
					said(l.n, "G")
					c.resumePart()
				}
			}
			sum.add(l, m.state())
			c.follow(l, m.state(), &sum)
			if l.e.Kind == gcode.KindTemperature {
				c.heats(l, m.state())
			}
			sections = append(sections, string(c.section()))
		}
		if strings.Join(got, " ") != test.want || strings.Join(sections, " ") != test.sections || codes(n.refusals()) != test.found {
			t.Errorf("%s: %v, want %s; sections %v, want %s; problems %q, want %q", test.name, got, test.want, sections, test.sections, codes(n.refusals()), test.found)
		}
	}
}

func TestRewriterListsChanges(t *testing.T) {
	n := newNotes()
	o := upright
	w := newRewriter(&o, &n)
	for k, text := range []string{"M84", "G28", "G1 X1.50", "M104 S999"} {
		l := lineOf(t, int64(k+1), text)
		r := w.judge(l)
		if r.withhold == "" {
			w.countSent()
			continue
		}
		w.withhold(l, r.withhold)
		for _, text := range r.instead {
			w.add(Change{Line: l.n, Section: LeadIn, Text: text}, true)
		}
		l.fresh = false // a repeat is counted and not listed
		w.withhold(l, r.withhold)
	}
	if got := texted(w.withheld); got != "1:M84 2:G28" {
		t.Errorf("withheld %s", got)
	}
	if got := texted(w.added); got != "2:G28 X Z 2:G92 Y0" || w.sentLines() != 4 {
		t.Errorf("added %s, %d lines sent", got, w.sentLines())
	}
	if got := codes(n.findings); got != "4:nozzle-ceiling" {
		t.Errorf("findings %s", got)
	}
	// In a marked part heaters stay on, and are not switched on again.
	for k, text := range []string{"M104 S0", "M140 S60", "M104 S200"} {
		l := lineOf(t, int64(k+5), text)
		if why := w.heaterInBody(l, 0); (why != "") != (k == 0) {
			t.Errorf("%s: withheld: %q", text, why)
		}
	}
	if got := codes(n.refusals()); got != "5:heater-cycled" {
		t.Errorf("problems %s", got)
	}
	// After the part nothing is pushed and the belt is not moved.
	const after = "G1 X9 E1\nG0 Y200\nM0\nG1 X0 Y5 F600\nM107\n"
	s, _ := scannerOf("ab\n"+after, 0)
	w = newRewriter(&o, &n)
	w.sent = 10
	if err := w.leadOut(&s, &boundary{line: 2, at: 3}, int64(3+len(after)), true); err != nil {
		t.Fatal(err)
	}
	if got, rest := texted(w.withheld), texted(w.added); got != "2:G1 X9 E1 3:G0 Y200 4:M0 5:G1 X0 Y5 F600" || rest != "2:G1 X9 5:G1 X0 F600" || w.sentLines() != 8 {
		t.Errorf("withheld %s, added %s, %d sent", got, rest, w.sentLines())
	}
	// Front, file, bed and what is left on come in the order in which they are sent.
	p := &Plan{Lines: 6, Body: Section{FirstLine: 2, LastLine: 2}}
	w.finish(p, []Change{{1, LeadIn, "G21", ""}}, []Change{{1, LeadIn, "M140 S50", ""}}, []leftover{{"M107", "fan"}})
	if got := texted(p.Added); got != "1:G21 1:M140 S50 2:G1 X9 5:G1 X0 F600 7:M107" || p.LeadIn.SendLines != 2 || p.LeadOut.SendLines != 1 {
		t.Errorf("added %s, %d and %d more lines sent", got, p.LeadIn.SendLines, p.LeadOut.SendLines)
	}
}

func TestTallyKeepsThePart(t *testing.T) {
	o := upright
	st := gcode.NewState()
	sum := newTally(&o, &st)
	send := func(text string) {
		l := lineOf(t, 1, text)
		l.size.wire = int64(len(text)) + 1
		if err := st.ApplyLine(&l.Line, &l.e); err != nil {
			t.Fatal(err)
		}
		sum.add(l, &st)
	}
	send("G1 Y30 F600")
	sum.begin(&st)
	send("G1 X10 Y33 E4")
	sum.addInserted("M83")
	send("G1 X10 Y32")
	sum.keepAsPart()
	send("G1 Y132 X50")
	part := sum.partMeasures()
	if part.travelMM != 4 || part.grossMM != 4 || sum.beltMM() != 134 || sum.afterMM() != 100 {
		t.Errorf("part %g mm and %g mm of filament, file %g mm, after it %g mm", part.travelMM, part.grossMM, sum.beltMM(), sum.afterMM())
	}
	if part.bytes != (size{14 + 4 + 11, 14 + 4 + 11}) {
		t.Errorf("%+v bytes", part.bytes)
	}
	if !part.extrudes() || !part.across(5, 6) || part.across(10, 20) || !sum.beyond(&st, 2) || sum.beyond(&st, 200) {
		t.Error("where the part lies is wrong")
	}
}

func TestHeatersFollow(t *testing.T) {
	n := newNotes()
	o := upright
	o.BedC = 55
	h := heaters{o: &o, notes: &n}
	st := gcode.NewState()
	for k, text := range []string{"M104 S200", "M109 S180", "T1", "M104 T1 S210", "M141 S40"} {
		l := lineOf(t, int64(k+1), text)
		if err := st.ApplyLine(&l.Line, &l.e); err != nil {
			t.Fatal(err)
		}
		switch l.e.Kind {
		case gcode.KindTemperature:
			h.set(l, &st)
		case gcode.KindTool:
			h.toolChosen(&st)
		default:
			h.setChamber(l)
		}
	}
	if got := h.offLines(); !slices.Equal(got, []string{"M104 T0 S0", "M104 T1 S0", "M141 S0"}) {
		t.Errorf("switched off by %q", got)
	}
	if got := h.leftOn(); len(got) != 1 || got[0].text != "M141 S0" {
		t.Errorf("left on: %v", got)
	}
	if got := texted(h.bedHeating(9)); got != "1:M140 S55 2:M190 S55" { // before the nozzle is waited for
		t.Errorf("bed heated by %s", got)
	}
	st.NozzleTargetC = 215
	if a, b := h.waitBeforePurge(&st), h.waitBeforePurge(&st); a != "M109 S215" || b != "" {
		t.Errorf("the purge is waited for by %q and %q", a, b)
	}
	st.NozzleTargetC = 0
	move := lineOf(t, 9, "G1 X1 E1")
	for range 2 {
		h.extrudes(move, &st, Body)
	}
	if got := codes(n.findings); got != "5:heater-not-watched 0:bed-added 9:cold-extrusion" {
		t.Errorf("findings %s", got)
	}
}

func TestMovesAreJudgedOnce(t *testing.T) {
	n := newNotes()
	o := upright
	o.RangeMM[gcode.X] = [2]float64{0, 200}
	m := moves{o: &o, notes: &n}
	st := gcode.NewState()
	for k, step := range []struct {
		text string
		in   SectionKind
	}{{"G92 X0 Y0 Z0 E0", LeadIn}, {"G1 Z-1", LeadIn}, {"G1 X201 Z1", LeadIn}, {"G1 X202", Body}, {"G1 Z-1", Body}, {"G1 Z-2 E1 F600", Body}} {
		l := lineOf(t, int64(k+1), step.text)
		l.was.known = st.Known
		if err := st.ApplyLine(&l.Line, &l.e); err != nil {
			t.Fatal(err)
		}
		if l.e.Kind == gcode.KindMove {
			m.watch(l, &st, step.in)
		}
	}
	if got := codes(n.findings); got != "2:below-belt 3:outside-machine 5:below-belt" {
		t.Errorf("findings %s", got)
	}
}

func TestWordsAreJudgedByWhereTheyStand(t *testing.T) {
	n := newNotes()
	w := words{notes: &n}
	st := gcode.NewState()
	p := &Plan{Body: Section{FirstLine: 3, LastLine: 6}}
	for k, step := range []struct {
		text string
		in   SectionKind
		lost bool
	}{{"G29", LeadIn, true}, {"G29", LeadIn, true}, {"M600", Body, false}, {"G29", Body, true}, {"M290 Z0.1", Body, false}, {"M999999", Body, false}, {"M0", LeadOut, false}} {
		l := lineOf(t, int64(k+1), step.text)
		if err := st.ApplyLine(&l.Line, &l.e); err != nil {
			t.Fatal(err)
		}
		if l.e.Kind == gcode.KindUnknown && w.unknown(l, step.in) != step.lost {
			t.Errorf("%s: lost %v, want %v", step.text, !step.lost, step.lost)
		}
		w.sent(l)
	}
	w.finish(p, true)
	if got := codes(n.findings); got != "1:routine-of-board 3:waits-for-operator" {
		t.Errorf("findings %s", got)
	}
	if got := codes(n.refusals()); got != "4:motion-unknown 5:shifted-in-part" {
		t.Errorf("problems %s", got)
	}
}
