package job

import (
	"strings"

	"beltwarden/supervisor/gcode"
)

// maxLineOnWire is what boards' command buffers commonly hold, terminator
// included (common practice, no source).
const maxLineOnWire = 96

// words notes what is worth knowing about lines that are sent and change no state here.
type words struct {
	notes    *notes
	waits    []waiting // commands that wait for somebody
	routines []waiting // the board's own routines outside the part, each once
}

// waiting is a command with a later effect.
type waiting struct {
	line int64
	name string
}

// checksum notes a checksum in the file that does not match its line: a digit may have been lost or
// altered. No checksum of a file is sent, since the link numbers its lines itself.
func (w *words) checksum(l *line) {
	if !l.fresh {
		return
	}
	if written, computed, ok := l.Checksum(); ok && written != computed {
		w.notes.add(l.n, Warning, "checksum-wrong", "find out what altered the line, or slice the part again; it is sent as it stands",
			"the line ends with checksum %d, and its bytes make %d", written, computed)
	}
}

// sent checks a line that is sent; most are short moves.
func (w *words) sent(l *line) {
	if l.Letter == 'M' || l.size.wire > maxLineOnWire {
		w.look(l)
	}
}

func (w *words) look(l *line) {
	if l.size.wire > maxLineOnWire {
		w.notes.add(l.n, Warning, "long-on-wire", "shorten it; number and checksum come on top", "the line has %d bytes, and boards commonly hold %d", l.size.wire, maxLineOnWire)
	}
	if l.Letter != 'M' {
		return
	}
	if a := adviceFor(&l.Line); a.code != "" {
		w.notes.add(l.n, Warning, a.code, a.remedy, "%s", a.text)
	}
	if waitsForSomeone(&l.Line) && len(w.waits) < maxPerCode {
		w.waits = append(w.waits, waiting{l.n, l.Name()})
	}
}

// unknown checks a command that is not followed, and reports whether positions are lost.
func (w *words) unknown(l *line, in SectionKind) (lost bool) {
	lost = l.e.Lost
	w.notes.unknownWord(l.n, &l.Line, adviceFor(&l.Line).code == "" && !waitsForSomeone(&l.Line) && !lost && !heatsChamber(&l.Line))
	const unfollowed = "%s moves the machine, or shifts coordinates, in a way that cannot be followed"
	switch what := shifts(&l.Line); {
	case what != "" && in == Body:
		w.notes.problem(l.n, "shifted-in-part", "take it out of the part, or have it before the part", "%s %s", l.Name(), what)
		return false
	case !lost:
	case in == Body:
		w.notes.problem(l.n, "motion-unknown", "take it out of the part, or mark the part with ;beltwarden body begin and ;beltwarden body end", unfollowed, l.Name())
	case isRoutine(&l.Line):
		w.routine(waiting{l.n, l.Name()})
	default:
		w.notes.add(l.n, Warning, "motion-unknown", "make sure that it does not move the belt", unfollowed, l.Name())
	}
	return lost
}

// isRoutine reports whether a word is a routine of the board that machines have in start and end code:
// levelling, cleaning the nozzle, parking.
func isRoutine(l *gcode.Line) bool {
	if l.Letter != 'G' || l.Sub != 0 {
		return false
	}
	switch l.Number {
	case 12, 27, 29, 30, 33, 34, 35, 76, 425:
		return true
	}
	return false
}

// routine notes one outside the part.
func (w *words) routine(r waiting) {
	for _, other := range w.routines {
		if other.name == r.name {
			return
		}
	}
	w.routines = append(w.routines, r)
}

// shifts says what a word does to all that follows it that no line can bring back, or nothing.
func shifts(l *gcode.Line) string {
	const addsUp = "moves the nozzle by an amount that adds up from part to part"
	switch {
	case l.Is('M', 290) && len(l.Words()) > 0:
		return addsUp
	case l.Is('M', 206) && len(l.Words()) > 0, l.Is('M', 428):
		return "shifts coordinates, and the next part would not begin where this one did"
	case l.Letter == '#' && contains(l.Text(), "OFFSET") && contains(l.Text(), "_ADJUST"):
		return addsUp
	}
	return ""
}

// finish says what is known once the part's ends are. byItself says that nothing marks them.
func (w *words) finish(p *Plan, detected bool) {
	if len(w.routines) > 0 {
		var names []string
		for _, r := range w.routines {
			names = append(names, r.name)
		}
		w.notes.add(w.routines[0].line, Info, "routine-of-board", "make sure that they do not move the belt while parts lie on it",
			"routines of the board, which move the machine by themselves before or after the parts: %s", strings.Join(names, ", "))
	}
	for _, word := range w.waits {
		severity, text := Warning, "%s waits for someone at the machine, with heaters on and without a limit"
		remedy := "take it out of the job unless someone is there"
		switch {
		case word.line > p.Body.LastLine && detected:
			continue // it is not sent
		case word.line >= p.Body.FirstLine && word.line <= p.Body.LastLine:
			severity, text = Error, text+", at every part"
			remedy = "take it out of the job; to be called between parts set hold.every_parts"
		}
		w.notes.add(word.line, severity, "waits-for-operator", remedy, text, word.name)
	}
}
