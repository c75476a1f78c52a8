package job

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"beltwarden/supervisor/gcode"
)

// Lines are lines of a file, from 1, both inclusive; the zero value is none.
type Lines struct {
	From int64 `json:"from"`
	To   int64 `json:"to"`
}

// Evidence is something in the file that tells where the part begins or ends.
type Evidence struct {
	Line int64  `json:"line"`
	Text string `json:"text"`
}

// check says what is wrong with lines that someone named as the part.
func (l Lines) check() error {
	switch {
	case l == Lines{}:
	case l.From < 1 || l.To < 1:
		return fmt.Errorf("cannot inspect a job: the part needs a first and a last line, counted from 1; it has %d and %d", l.From, l.To)
	case l.To < l.From:
		return fmt.Errorf("cannot inspect a job: the part ends in line %d, before it begins in line %d", l.To, l.From)
	}
	return nil
}

// Inspector reads a job file for one machine. part, where it names any, are the lines of the part.
type Inspector func(ctx context.Context, path string, part Lines) (*Plan, error)

// lastWord stands at the end of a lot's copy of a job and says which lines are the part, where
// someone has said so: so the cut stays with the lot, and no line has another number.
const lastWord = ";beltwarden body lines "

// noted is the lines as a lot's copy of the job ends.
func (l Lines) noted() string {
	if l == (Lines{}) {
		return ""
	}
	return fmt.Sprintf("\n%s%d to %d\n", lastWord, l.From, l.To)
}

// linesNoted reads them from the end of a file.
func linesNoted(f io.ReaderAt, size int64) (l Lines) {
	const most = 100
	at := max(0, size-most)
	end := make([]byte, size-at)
	if _, err := f.ReadAt(end, at); err != nil && err != io.EOF {
		return Lines{}
	}
	k := bytes.LastIndex(end, []byte("\n"+lastWord))
	if k < 0 {
		return Lines{}
	}
	text := strings.TrimSpace(string(end[k+1:]))
	if n, err := fmt.Sscanf(text, lastWord+"%d to %d", &l.From, &l.To); n != 2 || err != nil || l.noted() != "\n"+text+"\n" || l.check() != nil {
		return Lines{}
	}
	return l
}

// cutHere begins or ends the part where someone has said that it does, before the line at hand.
func (i *inspector) cutHere() {
	switch part := i.o.Part; {
	case i.n == part.From && len(i.loops) > 0:
		i.notes.problem(i.n, "part-in-repeat", "name lines outside of it, or slice the part again", "the part is to begin inside the repeat of line %d", i.loops[len(i.loops)-1].opened)
	case i.n == part.From:
		i.openBody(byLines, i.here())
	case i.n == part.To+1 && i.cut == byLines && !i.closed:
		i.closeLines(i.here())
	}
}

// closeLines ends such a part.
func (i *inspector) closeLines(at boundary) {
	if k := len(i.loops); k > 0 {
		i.notes.problem(i.n, "part-in-repeat", "name lines outside of it, or slice the part again", "the part is to end inside the repeat of line %d", i.loops[k-1].opened)
		i.loops = nil
	}
	i.end, i.closed, i.section = at, true, LeadOut
}

// evidence says by what the part was found.
func (i *inspector) evidence() (list []Evidence) {
	add := func(line int64, format string, args ...any) {
		list = append(list, Evidence{line, fmt.Sprintf(format, args...)})
	}
	b, e := &i.begin, &i.end
	switch i.cut {
	case byLines:
		add(b.line, "the part begins here, as was said")
		add(e.line-1, "the part ends here, as was said")
		return list
	case byMarks:
		add(b.line-1, "a marker comment begins the part")
		add(e.line, "a marker comment ends it")
		return list
	case byRepeat:
		add(b.line-1, "the outermost M808 with a count begins the part")
		add(e.line, "the M808 that closes it ends the part")
		return list
	}
	list = append(list, i.part.evidence...)
	if i.purge > 0 {
		add(b.line, "the part begins here: %s", i.part.why)
	} else {
		add(b.line, "the part begins here: it is the first extruding move, and nothing shows a purge")
	}
	add(i.lastMove, "the last extruding move")
	if e.line-1 > i.lastMove {
		add(e.line-1, "the part ends here: what draws the filament back and lifts the nozzle belongs to it")
	}
	if i.tail.open {
		add(i.tail.line, "%s shuts the machine down", i.tail.why)
	}
	return list
}

// seen lists what the lines ahead of the first extruding move show, whatever came of it.
func (v *viewer) seen(belt gcode.Axis) (list []Evidence) {
	add := func(line int64, format string, args ...any) {
		list = append(list, Evidence{line, fmt.Sprintf(format, args...)})
	}
	kinds := map[signKind]bool{}
	for k := range v.strokes {
		s := &v.strokes[k]
		if s.zeroAt > 0 && k > 0 && k <= mostStrokes {
			add(s.zeroAt, "the extruder is set to 0, behind %d extruding moves", k)
		}
		if kind := s.sign.kind; kind != noSign && !kinds[kind] {
			kinds[kind] = true
			add(s.signAt, "%q names %s, behind %d extruding moves", s.sign.text, s.sign.kind, k)
		}
	}
	for k := min(mostStrokes, len(v.strokes)-1); k >= 1 && belt == gcode.Y; k-- {
		beside, looped := v.beside(k)
		first := v.strokes[0].line
		switch {
		case !v.strokes[k].parted:
			continue
		case v.above(k):
			add(first, "%d extruding moves from here on are in the air over what follows", k)
		case beside || looped:
			how := ""
			if v.thick(k) {
				how = ", with more filament per path"
			}
			if looped {
				how += ", and close a loop"
			}
			add(first, "%d extruding moves from here on lie beside all that follows%s", k, how)
		default:
			continue
		}
		break
	}
	slices.SortStableFunc(list, func(a, b Evidence) int { return cmp.Compare(a.Line, b.Line) })
	return list
}

func (k signKind) String() string {
	return [...]string{"nothing", "a layer by its number", "a change of layer", "a layer by its height", "a kind of line", "an object"}[k]
}
