package job

import (
	"math"

	"beltwarden/supervisor/gcode"
)

// cutMethod is how the sections are found.
type cutMethod uint8

const (
	cutDetected cutMethod = iota // from the part's first extruding move to the end of its last
	cutRepeat                    // by the outermost pair of M808
	cutMarkers                   // by our own marker comments
	cutLines                     // by lines that somebody named
)

// cutter finds where the part begins and ends. It sees each line before and after it is applied,
// and says which boundary to keep; the end of a detected part is the last one kept.
type cutter struct {
	o     *Options
	notes *notes

	method     cutMethod
	in         SectionKind // as far as known; the tail counts as lead-out
	begin, end boundary    // of the part, the end as far as known
	first      boundary    // before the newest move with an E word that may be the part's first

	endable   bool  // the previous line belongs to the part: it may end after that line
	movedAway bool  // the head has gone elsewhere since the last move that extrudes
	closed    bool  // a marked or named part is complete
	outer     int64 // line of the outermost repeat marker
	lastMove  int64 // line of the last extruding move of the part

	signs        [signKinds]bool // seen before any filament
	part         partBegin       // where the part begins, once searched
	purge        int64           // extruding moves before it
	purged       []box           // where the first of them lie
	wipe         wipe
	leadProblems int // problems noted before a detected body
	endProblems  int // problems noted up to the end of the body so far
	tail         tail
}

// tail is what follows the first sign of shutdown in a detected body. It is the lead-out, unless
// more of the part follows.
type tail struct {
	open      bool
	line      int64
	why       string
	offs      []heaterOff
	belt      int64 // line that homes the belt, 0 for none
	homes     int64 // line that homes anything
	ambiguous int64 // line whose E word boards read differently
}

// wipe is the wiping of the nozzle after the purge: a move that stays low, extrudes nothing and is
// not the last before the part or another stroke.
type wipe struct {
	z         float64 // of the newest stroke of the purge
	lifted    bool    // the nozzle has risen since
	candidate int64   // line of a possible wipe, 0: none
	line      int64   // line of a wipe, 0: none
}

// follow applies a line of the lead-in after the purge began. belt is the belt's axis; lift moves
// the nozzle away from it.
func (w *wipe) follow(l *line, st *gcode.State, belt, lift gcode.Axis) {
	e := &l.e
	switch {
	case e.Kind != gcode.KindMove:
	case e.Extruding:
		*w = wipe{z: st.MachineMM(lift)}
	case w.lifted || w.line > 0:
	case st.MachineMM(lift) > w.z+lowMM:
		w.lifted, w.line = true, w.candidate
	case math.Hypot(e.Delta(gcode.X), e.Delta(belt)) < wipesMM:
	case w.candidate > 0:
		w.line = w.candidate
	default:
		w.candidate = l.n
	}
}

// lowMM is how far above the purge a move still touches it (common practice, no source).
const lowMM = 0.5

// heaterOff is a heater switched off in the tail.
type heaterOff struct {
	line    int64
	bed     bool
	again   int64 // line that switches it on again, 0 for none
	beforeC float64
	text    string
	size    size
}

// markerEffect is the effect of a marker, or of a line that somebody named.
type markerEffect uint8

const (
	noEffect     markerEffect = iota
	beginsBefore              // the part begins before the line
	beginsAfter               // or after it
	endsBefore
	endsAfter
	opensRepeat  // a repeat inside the part begins
	closesRepeat // or ends
)

// extrusionRole is what an extruding move is to the part.
type extrusionRole uint8

const (
	extrudesInside    extrusionRole = iota
	extrudesPurge                   // before the part
	extrudesFirst                   // the part's first move
	extrudesAfterTail               // after signs of shutdown: the part goes on
)

func newCutter(o *Options, n *notes) cutter { return cutter{o: o, notes: n, in: LeadIn} }

// section is the section of the present line, as far as known.
func (c *cutter) section() SectionKind { return c.in }

// detected reports whether nothing marks or names the part's ends so far.
func (c *cutter) detected() bool { return c.method == cutDetected }

// ends are the ends of the part, the second as far as known.
func (c *cutter) ends() (begin, end *boundary) { return &c.begin, &c.end }

// nesting is how many open repeats lie outside the part.
func (c *cutter) nesting() int {
	if c.method == cutRepeat {
		return 1
	}
	return 0
}

// mayBegin reports whether the boundary before a move must be kept, since the part may begin there.
func (c *cutter) mayBegin() bool { return c.in == LeadIn && c.method == cutDetected }

// beginBefore is where that boundary is kept.
func (c *cutter) beginBefore() *boundary { return &c.first }

// beginAt begins a marked or named part, and returns where its beginning is kept.
func (c *cutter) beginAt() *boundary {
	if c.in != LeadIn { // a body was detected before; it was lead-in
		c.notes.dropSince(c.leadProblems)
	}
	c.in, c.tail, c.endable = Body, tail{}, false
	return &c.begin
}

// endAt is where the part's end is kept, as far as known.
func (c *cutter) endAt() *boundary {
	c.endProblems = len(c.notes.refusals())
	return &c.end
}

// mayEnd reports whether the boundary before the line, not yet applied, must be kept, since a
// detected part may end there: after a move that extrudes, or after what ends it. A line that looks
// like another such move is no end yet.
func (c *cutter) mayEnd(l *line, st *gcode.State) bool {
	if !c.endable || l.Letter == 'G' && l.Number <= 3 && l.Has('E') && (l.Has('X') || l.Has('Y') || l.Has('Z')) && !drawsBack(l, st) {
		return false
	}
	c.endable = false
	return c.method == cutDetected && c.in == Body
}

// drawsBack reports whether the line, not yet applied, retracts filament.
func drawsBack(l *line, st *gcode.State) bool {
	v, _ := l.Get('E')
	if st.Inches {
		v *= 25.4
	}
	if !st.RelativeE {
		v -= st.PositionMM[gcode.E]
	}
	return v < 0
}

// wipesMM is how far a wipe goes beyond the part's extrusion (common practice, no source).
const wipesMM = 2.0

// follow notes whether the line just sent belongs to the end of the part: a move that extrudes, a
// retraction after it, and one lift. A travel ends the part.
func (c *cutter) follow(l *line, st *gcode.State, m *tally) {
	e := &l.e
	switch {
	case c.method != cutDetected || c.in == LeadOut:
	case c.in == LeadIn:
		if c.purge > 0 {
			c.wipe.follow(l, st, c.o.BeltAxis, c.o.lift())
		}
	case e.Kind == gcode.KindMove && e.ExtrudedMM < 0 && !c.movedAway && (e.Delta(gcode.X) != 0 || e.Delta(c.o.BeltAxis) != 0) && m.beyond(st, wipesMM):
		c.movedAway, c.endable = true, false // retracting on the way to somewhere else
	case e.Kind == gcode.KindRetract, e.Kind == gcode.KindMove && e.Named&(1<<gcode.E) != 0 && !c.movedAway:
		c.endable = !c.movedAway
	case e.Kind != gcode.KindMove || e.PathMM == 0 || c.movedAway:
	default:
		lift := c.o.lift()
		c.movedAway = true
		c.endable = e.Delta(lift) > 0 && e.PathMM == e.Delta(lift)
	}
}

// sign notes a sign that comes before any filament.
func (c *cutter) sign(l *line) {
	if c.in != LeadIn || c.part.line > 0 || l.Letter != 0 && l.Letter != '#' && l.Letter != 'M' {
		return
	}
	if s := readSign(l.text, &l.Line); s.kind != signNumber || s.number <= 1 {
		c.signs[s.kind] = true
	}
}

// extrudes handles a move that extrudes, applied but not counted. The first one of the part begins
// it; one after signs of shutdown shows that it goes on.
func (c *cutter) extrudes(l *line, st *gcode.State, s *scanner) extrusionRole {
	if c.method != cutDetected {
		if c.closed {
			c.notes.add(l.n, Warning, "extrudes-after-part", "move ;beltwarden body end, or the closing M808, after the last move of the part",
				"a move after the part extrudes; its E word is left out")
		}
		return extrudesInside
	}
	c.movedAway, c.lastMove = false, l.n
	switch {
	case c.in == LeadIn && c.purging(l, st, s):
		return extrudesPurge
	case c.in == LeadIn:
		c.begin, c.in, c.leadProblems = c.first, Body, len(c.notes.refusals())
		return extrudesFirst
	case c.tail.open:
		return extrudesAfterTail
	}
	return extrudesInside
}

// purging reports whether an extruding move in the lead-in comes before the part.
func (c *cutter) purging(l *line, st *gcode.State, s *scanner) bool {
	if c.part.line == 0 {
		c.part = findPart(&c.first.st, l.n, s.ahead(l.from), c.signs, c.o.BeltAxis)
	}
	if l.n >= c.part.line {
		return false
	}
	if c.purge++; c.purge <= maxStrokes {
		var b box
		b.add(&l.e, st)
		c.purged = append(c.purged, b)
	}
	return true
}

// beginTail begins the tail at a line that shuts the machine down.
func (c *cutter) beginTail(l *line, name string) {
	if c.in == Body && c.method == cutDetected {
		c.tail = tail{open: true, line: l.n, why: name}
		c.in = LeadOut
	}
}

// heats handles a line that sets a heater, already applied.
func (c *cutter) heats(l *line, st *gcode.State) {
	bed, _, ok := heats(&l.Line, st.Tool)
	switch {
	case !ok:
	case l.e.Value > 0:
		for k := range c.tail.offs {
			if off := &c.tail.offs[k]; off.bed == bed && off.again == 0 {
				off.again = l.n
			}
		}
	case c.method == cutDetected && c.in != LeadIn:
		c.beginTail(l, l.Name()+" S0")
		off := heaterOff{line: l.n, bed: bed, beforeC: l.was.nozzleC, text: string(l.AppendClean(nil)), size: l.size}
		if bed {
			off.beforeC = l.was.bedC
		}
		c.tail.offs = append(c.tail.offs, off)
		if len(c.tail.offs) > maxWithheld {
			c.tail.offs = c.tail.offs[1:]
			c.notes.problem(l.n, "too-many-changes", "slice the part for a belt machine", "the heaters are switched off more than %d times", maxWithheld)
		}
	}
}

// homes handles a homing; off: it names an axis without end stop.
func (c *cutter) homes(l *line, off bool) {
	switch {
	case c.tail.open:
		if off && c.tail.belt == 0 {
			c.tail.belt = l.n
		}
		if c.tail.homes == 0 {
			c.tail.homes = l.n
		}
	case !l.fresh:
	case c.in == Body && off:
		c.beltHomed(l.n)
	case c.in == Body:
		c.homedInPart(l.n)
	case c.in == LeadIn && off && (l.Has(c.o.BeltAxis.Letter()) || !l.Has('X') && !l.Has('Y') && !l.Has('Z')):
		c.notes.add(l.n, Info, "belt-homing", "home only axes with an end stop",
			"the belt has no end stop and would run without end; the line is not sent, and the belt's position is set to 0")
	}
}

// noteAmbiguous notes a move after the part so far whose E word boards read in two ways.
func (c *cutter) noteAmbiguous(n int64) {
	if c.tail.ambiguous == 0 {
		c.tail.ambiguous = n
	}
}

// resumePart takes the tail into the part, with the consequences for its lines. It returns the
// lines that switch a heater off and must be withheld.
func (c *cutter) resumePart() (offs []heaterOff) {
	t := c.tail
	c.tail, c.in = tail{}, Body
	if t.belt > 0 {
		c.beltHomed(t.belt)
	} else if t.homes > 0 {
		c.homedInPart(t.homes)
	}
	if t.ambiguous > 0 {
		refuseAmbiguous(c.notes, t.ambiguous)
	}
	for _, off := range t.offs {
		if off.again == 0 {
			offs = append(offs, off)
			continue
		}
		name := "nozzle"
		if off.bed {
			name = "bed"
		}
		heaterCycled(c.notes, name, off.line, off.again)
	}
	return offs
}

func heaterCycled(n *notes, heater string, off, on int64) {
	n.problem(off, "heater-cycled", "mark the part with ;beltwarden body begin and ;beltwarden body end, or slice it without cooling in between",
		"the %s is switched off inside the part and on again in line %d", heater, on)
}

func (c *cutter) beltHomed(n int64) {
	c.notes.problem(n, "belt-homed", "take the homing out of the part, or mark where the part begins and ends with ;beltwarden body begin and ;beltwarden body end",
		"an axis without end stop is homed inside the part")
}

func (c *cutter) homedInPart(n int64) {
	c.notes.add(n, Warning, "homed-in-part", "make sure that the head cannot hit the part on its way, or take the homing out",
		"the head is homed inside the part, once for every part")
}

// isNamedEnd reports whether somebody has named line n as an end of the part.
func (c *cutter) isNamedEnd(n int64) bool { return n == c.o.Part.From || n == c.o.Part.To+1 }

// atNamedLine handles line n of a named part. repeat is the line of the repeat around it, 0 for
// none.
func (c *cutter) atNamedLine(n, repeat int64) markerEffect {
	switch part := c.o.Part; {
	case n == part.From && repeat > 0:
		c.notes.problem(n, "part-in-repeat", "name lines outside of it, or slice the part again", "the part is to begin inside the repeat of line %d", repeat)
	case n == part.From:
		c.method = cutLines
		return beginsBefore
	case n == part.To+1 && c.method == cutLines && !c.closed:
		c.closeNamed(n, repeat)
		return endsBefore
	}
	return noEffect
}

func (c *cutter) closeNamed(n, repeat int64) {
	if repeat > 0 {
		c.notes.problem(n, "part-in-repeat", "name lines outside of it, or slice the part again", "the part is to end inside the repeat of line %d", repeat)
	}
	c.closed, c.in = true, LeadOut
}

// marker handles one of our own marker comments.
func (c *cutter) marker(l *line, begin bool, repeat int64) markerEffect {
	if !l.fresh || c.o.Part != (Lines{}) {
		return noEffect
	}
	const remedy = "keep one pair, ;beltwarden body begin before the part and ;beltwarden body end after it"
	switch {
	case c.method == cutRepeat:
		c.notes.problem(l.n, "markers-mixed", "put the M808 words between the marker comments, or take one kind out", "marker comments and an outer M808 pair are mixed")
	case begin && c.method == cutMarkers:
		c.notes.problem(l.n, "markers", remedy, "the body begins a second time")
	case begin:
		c.method = cutMarkers
		return beginsAfter
	case c.method != cutMarkers || c.closed:
		c.notes.problem(l.n, "markers", remedy, "the body ends without having begun")
	default:
		if repeat > 0 {
			c.notes.problem(l.n, "repeat-unbalanced", "close it with M808 before the body ends", "the body ends inside the repeat of line %d", repeat)
		}
		c.closed, c.in = true, LeadOut
		return endsBefore
	}
	return noEffect
}

// repeat handles M808. The outermost pair is the body unless comments mark it; nested pairs are
// repeated as often as they say.
func (c *cutter) repeat(l *line, repeating bool) markerEffect {
	begins := l.Has('L')
	switch {
	case c.o.Part != (Lines{}) && (c.method == cutDetected || c.closed): // the lot repeats the part
	case begins && c.method == cutDetected:
		count, _ := l.Get('L')
		c.method, c.outer = cutRepeat, l.n
		c.notes.add(l.n, Info, "repeat-count", "give the number of parts to the lot", "the repeat count %g is replaced by the number of parts of the lot", count)
		return beginsAfter
	case c.closed && l.fresh, c.method == cutDetected:
		c.notes.problem(l.n, "repeat-unbalanced", "keep one outermost pair of M808 around the part, or mark the part with ;beltwarden body begin and ;beltwarden body end",
			"M808 outside the part")
	case c.closed:
	case begins:
		return opensRepeat
	case repeating:
		return closesRepeat
	case c.method == cutRepeat:
		c.closed, c.in = true, LeadOut
		return endsBefore
	default:
		c.notes.problem(l.n, "repeat-unbalanced", "write M808 L and the count where the repeat begins", "M808 closes a repeat that was not opened")
	}
	return noEffect
}

// finish handles the end of the file: line n was the newest, last is the last in the file, and
// repeat as in [cutter.atNamedLine].
func (c *cutter) finish(n, last, repeat int64) markerEffect {
	switch {
	case c.endable && c.method == cutDetected && c.in == Body:
		return endsAfter
	case c.method == cutLines && !c.closed && c.o.Part.To == last:
		c.closeNamed(n, repeat)
		return endsAfter
	}
	return noEffect
}

// complete reports whether the file has a body. extruded: the body's lines extrude.
func (c *cutter) complete(last, repeat int64, extruded bool) bool {
	if c.method == cutDetected && c.in != LeadIn {
		c.notes.dropSince(c.endProblems)
	}
	switch {
	case c.o.Part.To > last:
		c.notes.problem(0, "part-lines", "name lines of this file", "the part is to be in lines %d to %d, and the file has %d", c.o.Part.From, c.o.Part.To, last)
	case c.method == cutMarkers && !c.closed:
		c.notes.problem(c.begin.line-1, "markers", "write ;beltwarden body end after the part", "the body begins but does not end")
	case c.method == cutRepeat && !c.closed:
		line := c.outer
		if repeat > 0 {
			line = repeat
		}
		c.notes.problem(line, "repeat-unbalanced", "close it with M808 on a line of its own", "a repeat begins but does not end")
	case c.method == cutDetected && c.in == LeadIn, c.method != cutDetected && !extruded:
		c.notes.problem(c.begin.line, "no-part", "check that the file was sliced for a filament printer, and where it marks the part",
			"no move extrudes filament, so there is no part")
	default:
		return true
	}
	return false
}
