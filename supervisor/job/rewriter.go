package job

import (
	"bytes"
	"io"
	"slices"
	"sort"

	"beltwarden/supervisor/gcode"
)

// rewriter decides which lines are withheld and added, and counts those that are sent.
type rewriter struct {
	o     *Options
	notes *notes

	withheld, added []Change
	sent            int64    // lines sent since the start of the file
	wire            []byte   // buffer for the present line as sent
	off             [2]int64 // lines in a marked body that switch nozzle and bed off
}

func newRewriter(o *Options, n *notes) rewriter {
	return rewriter{o: o, notes: n, withheld: []Change{}, added: []Change{}}
}

// sentLines is how many lines are sent so far.
func (w *rewriter) sentLines() int64 { return w.sent }

// countSent counts a line that is sent unchanged.
func (w *rewriter) countSent() { w.sent++ }

// measure computes the size of a line that is sent unchanged.
func (w *rewriter) measure(l *line) {
	if n, ok := l.WireLen(w.o.Form); ok {
		l.size.wire = int64(n) + 1
		return
	}
	w.write(l)
}

// write formats the line as sent.
func (w *rewriter) write(l *line) {
	w.wire = l.AppendWire(w.wire[:0], w.o.Form)
	l.size.wire = int64(len(w.wire)) + 1
}

// judge decides what to do with a line, and refuses the job if it must not be sent.
func (w *rewriter) judge(l *line) rule {
	w.write(l)
	r := w.o.judge(&l.Line, w.wire)
	switch {
	case r.refuse.code == "" || !l.fresh:
	case r.refuse.noPlan:
		w.notes.problem(l.n, r.refuse.code, r.refuse.remedy, "%s", r.refuse.text)
	default:
		w.notes.add(l.n, Error, r.refuse.code, r.refuse.remedy, "%s", r.refuse.text)
	}
	return r
}

// heaterInBody returns why a line that switches a heater off inside a marked body is withheld, or
// "". It refuses a heater that is switched on again. tool is the present one.
func (w *rewriter) heaterInBody(l *line, tool int) string {
	bed, c, ok := heats(&l.Line, tool)
	if !ok {
		return ""
	}
	which, name := 0, "nozzle"
	if bed {
		which, name = 1, "bed"
	}
	if c > 0 {
		if w.off[which] > 0 && l.fresh {
			heaterCycled(w.notes, name, w.off[which], l.n)
		}
		return ""
	}
	w.off[which] = l.n
	if l.fresh && c == 0 {
		w.notes.add(l.n, Warning, "heater-off-in-part", "take it out of the part", "the %s is switched off inside the part; the line is not sent", name)
	}
	return "heaters stay on from part to part; the lot switches them off"
}

// withhold lists the line as not sent.
func (w *rewriter) withhold(l *line, why string) {
	if !l.fresh {
		return
	}
	if len(w.withheld) == maxWithheld {
		w.notes.problem(l.n, "too-many-changes", "slice the part for a belt machine", "more than %d lines would have to be withheld", maxWithheld)
	}
	if len(w.withheld) < maxWithheld {
		w.withheld = append(w.withheld, Change{Line: l.n, Text: string(l.AppendClean(nil)), Why: why})
	}
}

// withholdCounted withholds a line that was already counted.
func (w *rewriter) withholdCounted(c Change) {
	w.withheld = append(w.withheld, c)
	w.sent--
}

// add adds a line; it is listed once, and sent as often as the repeat around it.
func (w *rewriter) add(c Change, listed bool) {
	if listed {
		w.added = append(w.added, c)
	}
	w.sent++
}

// dropE removes the E word from a line. [rewriter.leadOut] lists it.
func (w *rewriter) dropE(l *line) {
	if rest := without(&l.Line, 'E', 'E'); rest != "" {
		if err := l.Parse([]byte(rest)); err != nil {
			w.notes.unusable(l, err)
		}
	}
}

// without returns a line without the words of two letters.
func without(l *gcode.Line, a, b byte) string {
	var rest [][]byte
	for _, word := range bytes.Split(l.AppendWire(nil, gcode.Spaced), []byte(" ")) {
		if len(word) == 0 || word[0] != a && word[0] != b {
			rest = append(rest, word)
		}
	}
	return string(bytes.TrimSpace(bytes.Join(rest, []byte(" "))))
}

// leadOut removes words from the lead-out: E words, since the nozzle is no longer hot enough, those
// of the belt, which the lot moves, and waits for somebody, since the lot has ended. A job that
// marks the end of its part keeps its belt moves and waits.
func (w *rewriter) leadOut(s *scanner, end *boundary, fileBytes int64, detected bool) error {
	lines := s.part(end.at, fileBytes-end.at)
	if lines == nil {
		return nil
	}
	belt := byte('E')
	if detected {
		belt = w.o.BeltAxis.Letter()
	}
	var l gcode.Line
	count := 0
	for n := end.line; ; n++ {
		text, _, _, err := lines.next()
		switch {
		case err == io.EOF:
			return nil
		case err == errLong:
			continue
		case err != nil:
			return err
		}
		if l.Parse(text) != nil {
			continue
		}
		waits := detected && waitsForSomeone(&l)
		if !waits && (l.Letter != 'G' || l.Number > 3 || l.Sub != 0 || !l.Has('E') && !l.Has(belt)) {
			continue
		}
		if count++; count > maxWithheld {
			w.notes.problem(n, "too-many-changes", "slice the part for a belt machine", "more than %d lines after the part move filament or the belt, or wait", maxWithheld)
			return nil
		}
		why := "after the last part the nozzle is no longer hot enough to move filament"
		switch {
		case waits:
			why = "it waits for someone, and the lot has ended"
		case l.Has(belt) && belt != 'E':
			why = "after the last part the lot moves the belt"
		}
		w.withheld = append(w.withheld, Change{Line: n, Section: LeadOut, Text: string(l.AppendClean(nil)), Why: why})
		if rest := without(&l, 'E', belt); !waits && bytes.IndexByte([]byte(rest), ' ') >= 0 {
			w.added = append(w.added, Change{Line: n, Section: LeadOut, Text: rest, Why: "the rest of the move"})
		} else {
			w.sent--
		}
	}
}

// finish writes the changes into the plan, with the lines at the front, those that heat the bed,
// and those that switch off what the file leaves on. Every change gets its section, and they are in
// order.
func (w *rewriter) finish(p *Plan, front, bed []Change, left []leftover) {
	p.Withheld, p.Added = w.withheld, slices.Concat(front, w.added, bed)
	p.LeadIn.SendLines += int64(len(front) + len(bed))
	for _, off := range left {
		p.Added = append(p.Added, Change{p.Lines + 1, LeadOut, off.text, "the job leaves the " + off.what + " on"})
		p.LeadOut.SendLines++
		w.notes.add(p.Lines, Info, "left-on", "", "the job leaves the %s on; %s is added at the end", off.what, off.text)
	}
	sectionOf := func(line int64) SectionKind {
		switch {
		case line < p.Body.FirstLine:
			return LeadIn
		case line <= p.Body.LastLine:
			return Body
		}
		return LeadOut
	}
	for k := range p.Withheld {
		p.Withheld[k].Section = sectionOf(p.Withheld[k].Line)
	}
	order := map[SectionKind]int{LeadIn: 0, Body: 1, LeadOut: 2}
	for k := range p.Added {
		if c := &p.Added[k]; c.Line != p.Body.FirstLine && c.Line <= p.Lines { // the others are at a section's end
			c.Section = sectionOf(c.Line)
		}
	}
	sort.SliceStable(p.Withheld, func(a, b int) bool { return p.Withheld[a].Line < p.Withheld[b].Line })
	sort.SliceStable(p.Added, func(a, b int) bool {
		x, y := &p.Added[a], &p.Added[b]
		if x.Section != y.Section {
			return order[x.Section] < order[y.Section]
		}
		return x.Line < y.Line
	})
}
