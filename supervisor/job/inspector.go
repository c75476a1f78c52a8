package job

import (
	"bytes"
	"context"
	"io"
	"strconv"

	"beltwarden/supervisor/gcode"
)

// inspector passes each line of the file through the stages, once, and writes the plan at the end.
// Where the part ends is known only at the end of the file, so the last possible place is kept.
type inspector struct {
	ctx context.Context
	o   Options
	p   *Plan
	l   line

	notes    notes
	scan     scanner
	mean     meaning
	cut      cutter
	out      rewriter
	sum      tally
	heat     heaters
	moves    moves
	words    words
	filament filament
}

// line is a line of the file on its way through the stages.
type line struct {
	gcode.Line        // as written, in words
	n          int64  // its number in the file
	from, to   int64  // offsets of its first byte and of the byte after its end
	text       []byte // until the next line is read
	fresh      bool   // it is processed for the first time; repeats are not noted again
	size       size
	e          gcode.Effect // once it was applied
	was        before
}

// before is the state before a line was applied.
type before struct {
	known         [gcode.AxisCount]bool
	nozzleC, bedC float64
}

// boundary is a place between two lines, and the state there.
type boundary struct {
	line   int64 // of the line that follows
	at     int64 // offset of that line
	crc    uint32
	sent   int64   // lines sent up to here
	beltMM float64 // travel of the belt up to here
	st     gcode.State
}

// newInspector prepares a pass over f.
func newInspector(ctx context.Context, o Options, p *Plan, f io.ReadSeeker) *inspector {
	i := &inspector{ctx: ctx, o: o, p: p, notes: newNotes()}
	i.scan = newScanner(ctx, f, p.SourceBytes, o.repeatLimit, &i.notes)
	i.mean = newMeaning(&i.o, &i.notes)
	i.cut = newCutter(&i.o, &i.notes)
	i.out = newRewriter(&i.o, &i.notes)
	i.sum = newTally(&i.o, i.mean.state())
	i.heat = heaters{o: &i.o, notes: &i.notes}
	i.moves = moves{o: &i.o, notes: &i.notes}
	i.words = words{notes: &i.notes}
	return i
}

// run processes the whole file and writes the plan. It returns the bytes read, and why the file is
// refused. progress, which may be nil, is called with the bytes read so far and in all.
func (i *inspector) run(progress func(done, total int64)) (read int64, problems []Finding, err error) {
	i.scan.onRead(func(done int64) error {
		if progress != nil {
			progress(done, i.p.SourceBytes)
		}
		return i.ctx.Err()
	})
	l := &i.l
	for {
		err := i.scan.next(l)
		if err == io.EOF {
			break
		}
		if err != nil && err != errLong {
			return 0, nil, err
		}
		if l.fresh && i.cut.isNamedEnd(l.n) {
			i.applyMarker(i.cut.atNamedLine(l.n, i.scan.innermostRepeat()))
		}
		if err == errLong {
			i.notes.problem(l.n, "long-line", "check whether the file is G-code at all", "the line is longer than %d bytes", MaxLineBytes)
		} else if err := i.step(l); err != nil {
			return 0, nil, err
		}
	}
	if l.n == 0 {
		i.notes.problem(0, "empty", "slice the part again", "the file has no lines")
	}
	if err := i.finish(); err != nil {
		return 0, nil, err
	}
	i.p.SHA256, read = i.scan.digest()
	return read, i.notes.refusals(), i.ctx.Err()
}

// step processes one line.
func (i *inspector) step(l *line) error {
	l.size.source = int64(len(l.text)) + 1
	if l.ParseMove(l.text) { // most lines: no marker, no damaged byte, and no rule withholds it
		if i.cut.mayEnd(l, i.mean.state()) {
			i.endAt(false)
		}
		i.beforeMove(l)
		i.out.measure(l)
		i.send(l)
		return nil
	}
	if k := bytes.IndexByte(l.text, 0); k >= 0 {
		i.notes.unreadable(l, "column %d: a NUL byte; the file is damaged", k+1)
		return nil
	}
	if begin, end := parseMarker(l.text); begin || end {
		i.applyMarker(i.cut.marker(l, begin, i.scan.innermostRepeat()))
		return nil
	}
	if err := l.Parse(l.text); err != nil {
		i.notes.unusable(l, err)
		return nil
	}
	i.words.checksum(l)
	if i.cut.mayEnd(l, i.mean.state()) {
		i.endAt(false)
	}
	i.cut.sign(l)
	switch {
	case l.Letter == 0:
		i.filament.read(l.text)
		return nil
	case l.Is('M', 808):
		return i.repeat(l)
	case l.Letter == 'G' && l.Number <= 3 && l.Sub == 0:
		i.beforeMove(l)
	}
	return i.take(l)
}

// beforeMove processes a G0 to G3 before it is applied.
func (i *inspector) beforeMove(l *line) {
	if l.Has('E') {
		if word, why := i.mean.extruderWord(l, &i.scan, i.cut.section()); word != "" {
			i.insert(l, l.n, word, why)
		}
		if i.cut.mayBegin() {
			i.place(i.cut.beginBefore(), false)
		}
		if i.cut.section() == LeadOut && i.mean.ambiguousE() {
			i.cut.noteAmbiguous(l.n)
			i.out.dropE(l)
		}
	}
	i.mean.checkAxes(l)
}

// take judges a line other than the usual move, and sends or withholds it.
func (i *inspector) take(l *line) error {
	r := i.out.judge(l)
	if r.shutdown {
		i.cut.beginTail(l, l.Name())
	}
	if r.homes {
		i.cut.homes(l, r.homesOff)
	}
	if r.withhold == "" && i.cut.section() == Body && !i.cut.detected() {
		r.withhold = i.out.heaterInBody(l, i.mean.state().Tool)
	}
	if r.withhold != "" {
		i.out.withhold(l, r.withhold)
		for _, text := range r.instead {
			i.insert(l, l.n, text, "in place of "+l.Name()+": "+r.withhold)
			if err := i.mean.applyAdded(text); err != nil {
				return err
			}
		}
		return nil
	}
	if l.Letter == '#' {
		i.named(l)
	} else {
		i.send(l)
	}
	return nil
}

// send applies a line that is sent, and passes it to all later stages.
func (i *inspector) send(l *line) {
	if err := i.mean.apply(l); err != nil {
		i.notes.unusable(l, err)
		return
	}
	st := i.mean.state()
	if l.e.Extruding {
		i.extrudes(l)
	}
	i.out.countSent()
	i.sum.add(l, st)
	i.cut.follow(l, st, &i.sum)
	if section := i.cut.section(); l.fresh {
		switch l.e.Kind {
		case gcode.KindMove:
			i.moves.watch(l, st, section)
		case gcode.KindHome:
			i.moves.homed(l, section)
		case gcode.KindSet:
			i.mean.follow(l)
		case gcode.KindTool:
			i.heat.toolChosen(st)
		case gcode.KindUnknown:
			i.heat.setChamber(l)
			if lost := i.words.unknown(l, section); lost {
				i.mean.losePosition()
			}
		}
		i.words.sent(l)
	}
	if l.e.Kind == gcode.KindTemperature && l.e.HasValue {
		i.heat.set(l, st)
		i.cut.heats(l, st)
	}
}

// extrudes processes a move that extrudes: it belongs to the purge, begins the part or continues
// it.
func (i *inspector) extrudes(l *line) {
	st := i.mean.state()
	switch i.cut.extrudes(l, st, &i.scan) {
	case extrudesPurge:
		if word := i.heat.waitBeforePurge(st); word != "" {
			i.insert(l, l.n, word, "the job does not wait until the nozzle is hot enough for its purge")
		}
	case extrudesFirst:
		begin, _ := i.cut.ends()
		i.sum.begin(&begin.st)
	case extrudesAfterTail:
		for _, off := range i.cut.resumePart() {
			i.mean.stayHot(off.bed, off.beforeC)
			i.out.withholdCounted(Change{Line: off.line, Text: off.text, Why: "the part goes on after it; the lot switches heaters off"})
			i.sum.remove(off.size)
		}
	}
	i.heat.extrudes(l, st, i.cut.section())
}

// named sends a named command. What the configuration says about it is added in standard commands.
func (i *inspector) named(l *line) {
	i.heat.named(l)
	w := i.o.namedWord(&l.Line)
	if w == nil {
		i.send(l)
		return
	}
	name, _ := field(l.Text())
	why := "as the configuration says of " + string(name)
	for _, t := range w.targets() {
		c, ok := w.target(&l.Line, t.argument)
		switch {
		case !ok && l.fresh:
			i.notes.add(l.n, Warning, "named-word-argument", "write it, or correct job.named_words",
				"%s has no number for %s, which would be the %s's target", name, t.argument, t.what)
		case ok && i.mean.heat(t.heater == bedHeater, c):
			i.insert(l, l.n, t.code+" S"+strconv.FormatFloat(c, 'f', -1, 64), why)
		}
	}
	i.heat.markHeated(string(name), l, i.mean.state())
	if w.Homes {
		i.mean.markHomed()
	}
	i.send(l)
	switch w.Extruder {
	case "relative":
		i.mean.setExtruderMode(true)
		i.insert(l, l.n+1, "M83", why)
	case "absolute":
		i.mean.setExtruderMode(false)
		i.insert(l, l.n+1, "M82", why)
	}
}

// insert adds a line before another one; it is sent as often as the present line.
func (i *inspector) insert(l *line, before int64, text, why string) {
	i.out.add(Change{Line: before, Section: i.cut.section(), Text: text, Why: why}, l.fresh)
	i.sum.addInserted(text)
}

// repeat processes M808: it begins or ends the part, or lines inside it that repeat.
func (i *inspector) repeat(l *line) error {
	i.out.withhold(l, withholdReason(&l.Line))
	switch t := i.cut.repeat(l, i.scan.innermostRepeat() > 0); t {
	case opensRepeat:
		i.scan.open(l, i.cut.nesting())
	case closesRepeat:
		return i.scan.closeRepeat(l)
	default:
		i.applyMarker(t)
	}
	return nil
}

// applyMarker begins or ends a marked or named part.
func (i *inspector) applyMarker(t markerEffect) {
	switch t {
	case beginsBefore, beginsAfter:
		i.place(i.cut.beginAt(), t == beginsAfter)
		i.sum.begin(i.mean.state())
	case endsBefore, endsAfter:
		i.scan.endRepeats()
		i.endAt(t == endsAfter)
	}
}

// endAt keeps the place before or after the present line as the part's end, as far as known.
func (i *inspector) endAt(after bool) {
	i.place(i.cut.endAt(), after)
	i.sum.keepAsPart()
}

// place records the state before or after the present line.
func (i *inspector) place(b *boundary, after bool) {
	if b.line, b.at = i.l.n, i.l.from; after {
		b.line, b.at = i.l.n+1, i.l.to
	}
	b.crc, b.sent, b.beltMM, b.st = i.scan.sum(b.at), i.out.sentLines(), i.sum.beltMM(), *i.mean.state()
}

// finish closes the sections and writes the plan after the end of the file.
func (i *inspector) finish() error {
	p, o, last := i.p, &i.o, i.scan.last()
	i.applyMarker(i.cut.finish(i.l.n, last, i.scan.innermostRepeat()))
	p.Lines = last
	defer i.notes.closeLists(p)
	part := i.sum.partMeasures()
	if !i.cut.complete(last, i.scan.innermostRepeat(), part.extrudes()) {
		return nil
	}
	begin, end := i.cut.ends()
	if err := i.out.leadOut(&i.scan, end, p.SourceBytes, i.cut.detected()); err != nil {
		return err
	}
	i.cut.sections(p, boundary{line: last + 1, at: p.SourceBytes, crc: i.scan.sumAll(), sent: i.out.sentLines()})
	i.mean.checkPositions(begin, end)
	p.Begin, p.End = begin.st, end.st
	front, bed := i.mean.missingModes(p), i.heat.bedHeating(begin.line)
	if len(bed) > 0 {
		i.mean.heat(true, o.BedC)
		p.Begin.BedTargetC, p.End.BedTargetC = o.BedC, o.BedC
	}
	i.out.finish(p, front, bed, append(i.mean.leftOn(), i.heat.leftOn()...))
	p.OtherOff = i.heat.offLines()
	i.filament.settle(o, &i.notes)
	part.fill(p, o)
	if p.LeadInBeltMM = begin.beltMM; !i.cut.detected() { // else the words that move it are left out
		p.LeadOutBeltMM = i.sum.afterMM()
	}
	p.Heat = p.HeatTimes(o.Heat.Heaters, o.Heat.ReleaseC, o.Heat.NozzleStandbyC)
	p.Evidence = i.cut.evidence()
	f := figures{o: o, notes: &i.notes, p: p, m: part}
	f.finish()
	i.heat.finish(p)
	i.words.finish(p, i.cut.detected())
	i.cut.finishPurge(p, part)
	return nil
}
