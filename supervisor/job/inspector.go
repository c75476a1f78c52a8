package job

import (
	"bytes"
	"context"
	"errors"
	"io"

	"beltwarden/supervisor/gcode"
)

// maxRepeatedBytes bounds what repeats inside a body may add up to: hours of the
// fastest link, days of most parts, and seconds of inspection.
const maxRepeatedBytes = 200_000_000

// maxLineOnWire is what boards' command buffers commonly hold, terminator
// included (common practice, no source).
const maxLineOnWire = 96

// how says what the sections are cut by.
type how uint8

const (
	byItself how = iota // from the part's first extruding move to the end of its last
	byRepeat            // the outermost pair of M808
	byMarks             // our own marker comments
	byLines             // someone has named the lines
)

// boundary is a place between two lines and all that is known there.
type boundary struct {
	line int64 // of the line that follows
	at   int64 // offset of that line
	crc  uint32
	sent int64 // lines sent up to here
	st   gcode.State
	m    measures
	// beltMM is the belt's travel since the start of the file.
	beltMM float64
}

// loop is an open repeat marker inside the body.
type loop struct {
	at, line  int64 // of the line after the marker
	opened    int64 // line of the marker
	remaining int64
}

// inspector goes through a file line by line. One pass decides everything: where
// the body ends by itself is known only later, so the last candidate is kept.
type inspector struct {
	ctx    context.Context
	o      Options
	p      *Plan
	notes  notes
	src    *source
	l      gcode.Line
	st     gcode.State
	m      measures     // since the start of the file, or of the body
	sent   int64        // lines sent since the start of the file
	belt   float64      // travel since the start of the file, mm
	effect gcode.Effect // of the line at hand
	wire   []byte       // room for the line at hand as it goes on the wire

	sourceBytes int64 // of the line at hand in the file, its end as one byte
	wireBytes   int64 // of the line at hand on the wire, its end as one byte

	n         int64 // number of the line at hand
	from, to  int64 // its offsets
	fresh     bool  // it is gone through for the first time; repeats are not noted again
	highWater int64 // offset up to which lines were seen once
	lines     int64 // number of the last line of the file

	cut      how
	section  SectionKind // as far as known; the tail counts as lead-out
	begin    boundary
	end      boundary // the best end of the body so far
	endable  bool     // the line before belongs to the part so far: the part may end behind it
	over     bool     // the head has gone elsewhere since the last move that extrudes
	closed   bool     // the outermost repeat or the marked body is complete
	outer    int64    // line of the outermost repeat marker
	lastMove int64    // line of the last extruding move of the body
	before   boundary // before the move at hand, while it may be the first of the body
	loops    []loop
	repeats  int64 // bytes gone through again

	repeatLimit  int64
	part         partBegin // where the part begins, once it was looked for
	purge        int64     // extruding moves before it
	purged       []box     // where the first of them lie
	endProblems  int       // problems noted up to the end of the body so far
	leadProblems int       // problems noted before the body that began by itself
	tail         tail
	use          usage
	danger       danger
	heaterOff    [2]int64 // lines in a marked body that switch nozzle and bed off
}

// run goes through the whole file and writes the plan.
func (i *inspector) run() error {
	for {
		line, from, to, err := i.src.next()
		if err == io.EOF {
			break
		}
		i.n++
		i.from, i.to, i.fresh = from, to, to > i.highWater
		if i.fresh {
			i.highWater, i.lines = to, i.n
			if i.o.Part.From == i.n || i.o.Part.To+1 == i.n {
				i.cutHere()
			}
		}
		switch {
		case errors.Is(err, errLong):
			i.notes.problem(i.n, "long-line", "check whether the file is G-code at all", "the line is longer than %d bytes", MaxLineBytes)
		case err != nil:
			return err
		default:
			if err := i.step(line); err != nil {
				return err
			}
		}
	}
	if i.n == 0 {
		i.notes.problem(0, "empty", "slice the part again", "the file has no lines")
	}
	if err := i.finish(); err != nil {
		return err
	}
	return i.ctx.Err()
}

// step takes one line.
func (i *inspector) step(line []byte) error {
	if i.l.ParseMove(line) {
		return i.move(line)
	}
	if k := bytes.IndexByte(line, 0); k >= 0 {
		i.badLine("column %d: a NUL byte; the file is damaged", k+1)
		return nil
	}
	if begin, end := mark(line); begin || end {
		i.marker(begin)
		return nil
	}
	if err := i.l.Parse(line); err != nil {
		var syntax *gcode.SyntaxError
		if errors.As(err, &syntax) {
			i.badLine("column %d: %s", syntax.Column, syntax.Problem)
		}
		return nil
	}
	i.checksum()
	i.sourceBytes = int64(len(line)) + 1
	i.candidate()
	if i.l.Letter == 0 {
		i.use.filament.read(line)
		i.readSign(line)
		return nil
	}
	if i.l.Letter == '#' || i.l.Letter == 'M' {
		i.readSign(line)
	}
	if i.l.Is('M', 808) {
		return i.repeat()
	}
	if i.l.Letter == 'G' && i.l.Number <= 3 && i.l.Sub == 0 {
		i.beforeMove()
	}
	return i.take()
}

// readSign notes a sign that stands before any filament.
func (i *inspector) readSign(line []byte) {
	if i.section != LeadIn || i.part.line > 0 {
		return
	}
	if s := readSign(line, &i.l); s.kind != signNumber || s.number <= 1 {
		i.use.signs[s.kind] = true
	}
}

// move takes a move in the usual form, which most lines are: it is no marker, has no
// damaged byte, and no rule withholds it.
func (i *inspector) move(line []byte) error {
	i.sourceBytes = int64(len(line)) + 1
	i.candidate()
	i.beforeMove()
	if n, ok := i.l.WireLen(i.o.Form); ok {
		i.wireBytes = int64(n) + 1
	} else {
		i.write()
	}
	return i.send()
}

// write puts the line at hand down as it goes on the wire.
func (i *inspector) write() {
	i.wire = i.l.AppendWire(i.wire[:0], i.o.Form)
	i.wireBytes = int64(len(i.wire)) + 1
}

func (i *inspector) badLine(format string, args ...any) {
	if i.fresh {
		i.notes.problem(i.n, "unreadable", "correct the line, or slice the part again", format, args...)
	}
}

// here is the boundary before the line at hand.
func (i *inspector) here() boundary { return i.place(i.n, i.from) }

// next is the boundary after the line at hand.
func (i *inspector) next() boundary { return i.place(i.n+1, i.to) }

func (i *inspector) place(line, at int64) boundary {
	return boundary{line: line, at: at, crc: i.src.sum(at), sent: i.sent, st: i.st, m: i.m, beltMM: i.belt}
}

// candidate notes, before the line at hand, where a body that is cut by itself may end: behind a
// move that extrudes, or what ends it. A line that looks like one more of those is no end yet.
func (i *inspector) candidate() {
	if !i.endable || i.l.Letter == 'G' && i.l.Number <= 3 && i.l.Has('E') && (i.l.Has('X') || i.l.Has('Y') || i.l.Has('Z')) && !i.drawsBack() {
		return
	}
	if i.cut == byItself && i.section == Body {
		i.end, i.endProblems = i.here(), len(i.notes.problems)
	}
	i.endable = false
}

// drawsBack reports whether the line at hand, not yet followed, draws filament back.
func (i *inspector) drawsBack() bool {
	v, _ := i.l.Get('E')
	if i.st.Inches {
		v *= 25.4
	}
	if !i.st.RelativeE {
		v -= i.st.PositionMM[gcode.E]
	}
	return v < 0
}

// leaves reports whether the move just made ends outside what the part has touched.
func (i *inspector) leaves() bool {
	for _, a := range [2]gcode.Axis{gcode.X, i.o.BeltAxis} {
		if at := i.st.PositionMM[a] + i.st.OffsetMM[a]; at < i.m.minMM[a]-wipesMM || at > i.m.maxMM[a]+wipesMM {
			return true
		}
	}
	return false
}

// wipesMM is how far beyond the part's extrusion a wipe goes (common practice, no source).
const wipesMM = 2.0

// ends follows whether the line just sent belongs to the end of the part: a move that extrudes,
// filament drawn back after it, and one lift. A travel ends the part.
func (i *inspector) ends(e *gcode.Effect) {
	switch {
	case e.Kind == gcode.KindMove && e.ExtrudedMM < 0 && !i.over && (e.Delta(gcode.X) != 0 || e.Delta(i.o.BeltAxis) != 0) && i.leaves():
		i.over, i.endable = true, false // drawn back on the way to somewhere else
	case e.Kind == gcode.KindRetract, e.Kind == gcode.KindMove && e.Named&(1<<gcode.E) != 0 && !i.over:
		i.endable = !i.over
	case e.Kind != gcode.KindMove || e.PathMM == 0 || i.over:
	default:
		lift := i.o.lift()
		i.over = true
		i.endable = e.Delta(lift) > 0 && e.PathMM == e.Delta(lift)
	}
}
