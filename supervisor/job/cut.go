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

// Evidence is something in the file that shows where the part begins or ends.
type Evidence struct {
	Line int64  `json:"line"`
	Text string `json:"text"`
}

// check returns what is wrong with lines that somebody named as the part.
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

// notePrefix begins the last line of a lot's copy of a job, which names the lines of the part if
// somebody has: the cut stays with the lot, and line numbers are unchanged.
const notePrefix = ";beltwarden body lines "

// note returns the end of a lot's copy of the job.
func (l Lines) note() string {
	if l == (Lines{}) {
		return ""
	}
	return fmt.Sprintf("\n%s%d to %d\n", notePrefix, l.From, l.To)
}

// readNote reads it from the end of a file.
func readNote(f io.ReaderAt, size int64) (l Lines) {
	const most = 100
	at := max(0, size-most)
	end := make([]byte, size-at)
	if _, err := f.ReadAt(end, at); err != nil && err != io.EOF {
		return Lines{}
	}
	k := bytes.LastIndex(end, []byte("\n"+notePrefix))
	if k < 0 {
		return Lines{}
	}
	text := strings.TrimSpace(string(end[k+1:]))
	if n, err := fmt.Sscanf(text, notePrefix+"%d to %d", &l.From, &l.To); n != 2 || err != nil || l.note() != "\n"+text+"\n" || l.check() != nil {
		return Lines{}
	}
	return l
}

// sections writes the sections of a file that ends at last into the plan, with the reasons for the
// cuts.
func (c *cutter) sections(p *Plan, last boundary) {
	b, e := &c.begin, &c.end
	p.LeadIn = Section{FirstLine: 1, LastLine: b.line - 1, FromByte: 0, ToByte: b.at, crcTo: b.crc, SendLines: b.sent}
	p.Body = Section{FirstLine: b.line, LastLine: e.line - 1, FromByte: b.at, ToByte: e.at, crcFrom: b.crc, crcTo: e.crc, SendLines: e.sent - b.sent}
	p.LeadOut = Section{FirstLine: e.line, LastLine: last.line - 1, FromByte: e.at, ToByte: last.at, crcFrom: e.crc, crcTo: last.crc, SendLines: last.sent - e.sent}
	switch c.method {
	case cutDetected:
		first := "the first extruding move"
		if c.purge > 0 {
			first = "the first extruding move after the purge"
		}
		p.LeadIn.Why = "all before " + first
		p.Body.Why = fmt.Sprintf("from %s in line %d to the last one, with the filament drawn back and the lift after it", first, b.line)
		p.LeadOut.Why = "all after the part's last move"
		if c.tail.open {
			p.LeadOut.Why += fmt.Sprintf("; %s in line %d shuts the machine down", c.tail.why, c.tail.line)
		}
	case cutRepeat:
		p.LeadIn.Why = "all up to the outermost M808 with a count"
		p.Body.Why = fmt.Sprintf("between the outermost M808 words in lines %d and %d", b.line-1, e.line)
		p.LeadOut.Why = "all from the closing M808 on"
	case cutLines:
		p.LeadIn.Why = "all before the given lines of the part"
		p.Body.Why = fmt.Sprintf("lines %d to %d, as given", b.line, e.line-1)
		p.LeadOut.Why = "all after them"
	case cutMarkers:
		p.LeadIn.Why = "all up to the comment ;beltwarden body begin"
		p.Body.Why = fmt.Sprintf("between the marker comments in lines %d and %d", b.line-1, e.line)
		p.LeadOut.Why = "all from the comment ;beltwarden body end on"
	}
}

// evidence lists how the part was found.
func (c *cutter) evidence() (list []Evidence) {
	add := func(line int64, format string, args ...any) {
		list = append(list, Evidence{line, fmt.Sprintf(format, args...)})
	}
	b, e := &c.begin, &c.end
	switch c.method {
	case cutLines:
		add(b.line, "the part begins here, as given")
		add(e.line-1, "the part ends here, as given")
		return list
	case cutMarkers:
		add(b.line-1, "a marker comment begins the part")
		add(e.line, "a marker comment ends it")
		return list
	case cutRepeat:
		add(b.line-1, "the outermost M808 with a count begins the part")
		add(e.line, "the M808 that closes it ends the part")
		return list
	}
	list = append(list, c.part.evidence...)
	if c.purge > 0 {
		add(b.line, "the part begins here: %s", c.part.why)
	} else {
		add(b.line, "the part begins here: it is the first extruding move, and nothing shows a purge")
	}
	add(c.lastMove, "the last extruding move")
	if e.line-1 > c.lastMove {
		add(e.line-1, "the part ends here: what draws the filament back and lifts the nozzle belongs to it")
	}
	if c.tail.open {
		add(c.tail.line, "%s shuts the machine down", c.tail.why)
	}
	return list
}

// finishPurge notes what is known of a purge at the end of the file; m are the part's measures.
func (c *cutter) finishPurge(p *Plan, m *measures) {
	if c.method != cutDetected {
		return
	}
	if c.part.maybePurge > 0 {
		c.notes.add(c.begin.line, Warning, "purge-repeated", "if so, write ;beltwarden body begin after it, with the nozzle raised, and ;beltwarden body end after the part's last move",
			"the first %d extruding moves, %s, may be a purge line: if they are, it is drawn again for every part and needs its place on the belt",
			c.part.maybePurge, c.part.maybePurgeWhy)
	}
	if c.purge > 0 {
		c.purgeUnder(p, m)
		c.notes.add(c.begin.line, Info, "purge-once", "if the part begins elsewhere, mark it with ;beltwarden body begin and ;beltwarden body end",
			"what is extruded before this line, in %d moves, is a purge and is made once, before the first part: %s", c.purge, c.part.why)
		// It is not repeated: the previous part may lie there by then, and there is no new purge to wipe on.
		if c.wipe.line > 0 {
			c.notes.add(c.wipe.line, Info, "wipe-once", "slice a skirt or brim: it belongs to the part, and takes what has oozed",
				"the nozzle is wiped after the purge once, before the first part: later it would be wiped on parts that lie on the belt")
		}
	}
}

// purgeUnder notes a purge on which later parts would be laid: each lies a pitch behind the
// previous one.
func (c *cutter) purgeUnder(p *Plan, m *measures) {
	if c.o.BeltAxis != gcode.Y {
		return
	}
	first, _ := m.along(c.o)
	for _, b := range c.purged {
		far := b.maxY
		if c.o.Forward < 0 {
			far = -b.minY
		}
		if over := far - first - p.PitchMM; over > 0 && m.across(b.minX, b.maxX) {
			c.notes.add(c.begin.line, Warning, "purge-under-parts", "draw the purge across the belt in front of the part, or beside it",
				"the purge before the first part reaches %.1f mm along the belt to where later parts are made, and they would stand on it", over)
			return
		}
	}
}

// evidence lists what the lines ahead of the first extruding move show, whatever follows from it.
func (v *lookahead) evidence(belt gcode.Axis) (list []Evidence) {
	add := func(line int64, format string, args ...any) {
		list = append(list, Evidence{line, fmt.Sprintf(format, args...)})
	}
	kinds := map[signKind]bool{}
	for k := range v.strokes {
		s := &v.strokes[k]
		if s.zeroAt > 0 && k > 0 && k <= maxPurgeStrokes {
			add(s.zeroAt, "the extruder is set to 0, after %d extruding moves", k)
		}
		if kind := s.sign.kind; kind != noSign && !kinds[kind] {
			kinds[kind] = true
			add(s.signAt, "%q names %s, after %d extruding moves", s.sign.text, s.sign.kind, k)
		}
	}
	for k := min(maxPurgeStrokes, len(v.strokes)-1); k >= 1 && belt == gcode.Y; k-- {
		beside, looped := v.beside(k)
		first := v.strokes[0].line
		switch {
		case !v.strokes[k].separated:
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
