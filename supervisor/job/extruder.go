package job

import (
	"bytes"
	"io"
	"math"

	"beltwarden/supervisor/gcode"
)

// beforeExtruder is told of a move with an E word.
func (i *inspector) beforeExtruder() {
	u := &i.use
	if !u.extruder {
		u.extruder, u.needExtruder = true, true
		if relative, certain := i.mode(); certain && relative {
			u.relative, i.st.RelativeE = true, true
			if i.before.line == i.n {
				i.before.st.RelativeE = true
			}
			i.notes.find(i.n, Info, "extruder-mode-added", "write M83 at the start of the job",
				"the E words are relative, by what they would move, and nothing in the file says so; M83 is added at its start")
		}
	}
	if !i.st.RelativeE && !i.st.Known[gcode.E] {
		u.needExtruderZero = true
		i.st.Known[gcode.E] = true
		if i.before.line == i.n {
			i.before.st.Known[gcode.E] = true
		}
	}
	switch {
	case i.section == LeadOut:
	case u.split:
		i.readMode()
	}
}

const bothReadings = "on some boards G90 and G91 change the extruder's mode too, on others not"

func (i *inspector) ambiguous(line int64) {
	i.notes.problem(line, "extruder-mode", "write M82 or M83 after every G90 and G91", "the E word depends on the board: "+bothReadings)
}

// Lengths of filament that one line plausibly moves, and beyond any doubt does
// not: boards refuse some 200 mm and more (common practice, no source).
const (
	plausibleMM = 25.0
	absurdMM    = 100.0
)

// readMode settles how an E word is meant after a G90 or G91 that some boards
// take for the extruder too. Nothing is to settle where both readings move the
// same. Where one of them would be absurd, here or in the moves that follow, the other is
// made certain by a word before the line. Otherwise the file is refused.
func (i *inspector) readMode() {
	v, ok := i.l.Get('E')
	if i.st.Inches {
		v *= 25.4
	}
	at := i.st.PositionMM[gcode.E]
	if !ok || at == 0 {
		return
	}
	absolute, relative := math.Abs(v-at), math.Abs(v)
	word, meant := "", ""
	// Nobody counts on from above the extruder's zero to below it: less is drawn back than that.
	switch {
	case len(i.loops) > 0: // a word cannot be added to every repeat
	case v < 0 && at > 0, relative <= plausibleMM && absolute > absurdMM:
		word, meant = "M83", "relative"
	case absolute <= plausibleMM && relative > absurdMM:
		word, meant = "M82", "absolute"
	}
	i.use.split = false // once is enough
	if word == "" && len(i.loops) == 0 {
		if relative, certain := i.mode(); certain && relative {
			word, meant = "M83", "relative"
		} else if certain {
			word, meant = "M82", "absolute"
		}
	}
	if word == "" {
		i.ambiguous(i.n)
		return
	}
	i.notes.find(i.n, Info, "extruder-mode-added", "write M82 or M83 after every G90 and G91",
		"the E word can only be meant as %s, but %s; %s is added before it", meant, bothReadings, word)
	i.add(i.n, i.section, word, "the E word is meant as "+meant+", and "+bothReadings)
	i.st.RelativeE, i.st.ExtruderUnsure = word == "M83", false
	i.sent++
	i.m.bytes.added(word)
	if i.before.line == i.n {
		i.before = i.here()
	}
}

// leaveOut is told of a move after the part so far whose E word boards read in two ways: it is
// not followed in either, since it is left out of the lead-out.
func (i *inspector) leaveOut() {
	if i.tail.unsure == 0 {
		i.tail.unsure = i.n
	}
	if rest := i.without('E', 'E'); rest != "" {
		if err := i.l.Parse([]byte(rest)); err != nil {
			i.refused(err)
		}
	}
}

// without is the line at hand but for the words of two letters.
func (i *inspector) without(a, b byte) string {
	var rest []byte
	for _, part := range splitWords(i.l.AppendWire(nil, gcode.Spaced)) {
		if part[0] != a && part[0] != b {
			rest = append(append(rest, ' '), part...)
		}
	}
	return string(bytes.TrimSpace(rest))
}

// splitWords cuts a line at its spaces.
func splitWords(line []byte) [][]byte {
	var words [][]byte
	from := 0
	for k := 0; k <= len(line); k++ {
		if k == len(line) || line[k] == ' ' {
			words = append(words, line[from:k])
			from = k + 1
		}
	}
	return words
}

// takeOut leaves words out of the lead-out: E words, since the nozzle is no longer hot enough,
// those of the belt, which the lot moves, and what waits for somebody, since the lot has ended. A
// job that says itself where its part ends means what it says of the belt and of waiting.
func (i *inspector) takeOut() error {
	at, ok := i.src.f.(io.ReaderAt)
	if !ok {
		return nil
	}
	lines := sourceOf(io.NewSectionReader(at, i.end.at, i.p.SourceBytes-i.end.at), aheadReadBytes, 0, -1, 0)
	belt := byte('E')
	if i.cut == byItself {
		belt = i.o.BeltAxis.Letter()
	}
	count := 0
	for n := i.end.line; ; n++ {
		text, _, _, err := lines.next()
		switch {
		case err == io.EOF:
			return nil
		case err == errLong:
			continue
		case err != nil:
			return err
		}
		if i.l.Parse(text) != nil {
			continue
		}
		waits := i.cut == byItself && waitsForSomeone(&i.l)
		if !waits && (i.l.Letter != 'G' || i.l.Number > 3 || i.l.Sub != 0 || !i.l.Has('E') && !i.l.Has(belt)) {
			continue
		}
		if count++; count > maxWithheld {
			i.notes.problem(n, "too-many-changes", "slice the part for a belt machine", "more than %d lines after the part move filament or the belt, or wait", maxWithheld)
			return nil
		}
		why := "after the last part the nozzle is no longer hot enough to move filament"
		switch {
		case waits:
			why = "it waits for someone, and the lot has ended"
		case i.l.Has(belt) && belt != 'E':
			why = "after the last part the lot moves the belt"
		}
		i.p.Withheld = append(i.p.Withheld, Change{Line: n, Section: LeadOut, Text: string(i.l.AppendClean(nil)), Why: why})
		if rest := i.without('E', belt); !waits && bytes.IndexByte([]byte(rest), ' ') >= 0 {
			i.p.Added = append(i.p.Added, Change{Line: n, Section: LeadOut, Text: rest, Why: "the rest of the move"})
		} else {
			i.sent--
		}
	}
}
