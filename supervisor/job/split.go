package job

import (
	"strconv"

	"beltwarden/supervisor/gcode"
)

// tail is what follows the first sign of shutdown in a body that is cut by
// itself. It is the lead-out, unless more of the part follows.
type tail struct {
	open   bool
	line   int64
	why    string
	offs   []heaterOff
	belt   int64 // line that homes the belt, 0 for none
	homes  int64 // line that homes anything
	unsure int64 // line whose E word boards read differently
}

// heaterOff is a heater switched off in the tail.
type heaterOff struct {
	line    int64
	bed     bool
	again   int64 // line that switches it on again, 0 for none
	beforeC float64
	text    string
	size    size
}

// enterTail begins the tail at the line at hand.
func (i *inspector) enterTail(name string) {
	i.tail = tail{open: true, line: i.n, why: name}
	i.section = LeadOut
}

// extruding is told of a move that extrudes, before it is counted. The first one
// begins the body; one after signs of shutdown shows that the part goes on.
func (i *inspector) extruding() {
	i.over, i.lastMove = false, i.n
	switch {
	case i.section == LeadIn && i.purging():
	case i.section == LeadIn:
		i.begin = i.before
		i.m = measures{clock: newClock(&i.before.st, &i.o)}
		i.section = Body
		i.leadProblems = len(i.notes.problems)
	case i.tail.open:
		i.reopen()
	}
}

// purging reports whether the extruding move at hand comes before the part.
func (i *inspector) purging() bool {
	if i.part.line == 0 {
		i.part = i.findPart()
	}
	if i.n >= i.part.line {
		return false
	}
	i.hotForPurge()
	if i.purge++; i.purge <= keptStrokes {
		var b box
		b.add(&i.effect, &i.st)
		i.purged = append(i.purged, b)
	}
	return true
}

// hotForPurge has the nozzle waited for before the purge, where the job heats it and waits no more: the lot
// heats for parts, not for what comes before them.
func (i *inspector) hotForPurge() {
	c := i.st.NozzleTargetC
	if c == 0 || c <= i.use.waitedC {
		return
	}
	i.use.waitedC = c
	text := "M109 S" + strconv.FormatFloat(c, 'f', -1, 64)
	i.add(i.n, LeadIn, text, "the job does not wait until the nozzle is hot enough for its purge")
	i.sent++
}

// reopen takes the tail into the body, with what that means for its lines.
func (i *inspector) reopen() {
	t := i.tail
	i.tail = tail{}
	i.section = Body
	if t.belt > 0 {
		i.beltHomed(t.belt)
	} else if t.homes > 0 {
		i.homedInPart(t.homes)
	}
	if t.unsure > 0 {
		i.ambiguous(t.unsure)
	}
	for _, off := range t.offs {
		heater, target := "nozzle", &i.st.NozzleTargetC
		if off.bed {
			heater, target = "bed", &i.st.BedTargetC
		}
		if off.again > 0 {
			i.heaterCycled(heater, off.line, off.again)
			continue
		}
		if *target == 0 {
			*target = off.beforeC
		}
		i.p.Withheld = append(i.p.Withheld, Change{Line: off.line, Text: off.text,
			Why: "the part goes on after it; the lot switches heaters off"})
		i.sent--
		i.m.bytes.sub(off.size)
	}
}

func (i *inspector) heaterCycled(heater string, off, on int64) {
	i.notes.problem(off, "heater-cycled", "mark the part with ;beltwarden body begin and ;beltwarden body end, or slice it without cooling in between",
		"the %s is switched off inside the part and on again in line %d", heater, on)
}

func (i *inspector) beltHomed(line int64) {
	i.notes.problem(line, "belt-homed", "take the homing out of the part, or mark where the part begins and ends with ;beltwarden body begin and ;beltwarden body end",
		"an axis without end stop is homed inside the part")
}

func (i *inspector) homedInPart(line int64) {
	i.notes.find(line, Warning, "homed-in-part", "make sure that the head cannot hit the part on its way, or take the homing out",
		"the head is homed inside the part, once for every part")
}

// homing is told of a G28; off says that it names an axis without end stop.
func (i *inspector) homing(off bool) {
	switch {
	case i.tail.open:
		if off && i.tail.belt == 0 {
			i.tail.belt = i.n
		}
		if i.tail.homes == 0 {
			i.tail.homes = i.n
		}
	case i.section == Body && i.fresh && off:
		i.beltHomed(i.n)
	case i.section == Body && i.fresh:
		i.homedInPart(i.n)
	}
}

// openBody begins a body whose ends are marked or named.
func (i *inspector) openBody(c how, at boundary) {
	if i.section != LeadIn { // a body had begun by itself; that was lead-in, then
		i.notes.drop(i.leadProblems)
	}
	i.cut, i.section, i.tail = c, Body, tail{}
	i.begin = at
	i.m = measures{clock: newClock(&i.st, &i.o)}
	i.endable = false
}

// closeBody ends a marked body before the line at hand.
func (i *inspector) closeBody() {
	i.end = i.here()
	i.closed = true
	i.section = LeadOut
}

// marker is one of our own marker comments.
func (i *inspector) marker(begin bool) {
	if !i.fresh || i.o.Part != (Lines{}) {
		return
	}
	const remedy = "keep one pair, ;beltwarden body begin before the part and ;beltwarden body end after it"
	switch {
	case i.cut == byRepeat:
		i.notes.problem(i.n, "markers-mixed", "put the M808 words between the marker comments, or take one kind out", "marker comments and an outer M808 pair are mixed")
	case begin && i.cut == byMarks:
		i.notes.problem(i.n, "markers", remedy, "the body begins a second time")
	case begin:
		i.openBody(byMarks, i.next())
	case i.cut != byMarks || i.closed:
		i.notes.problem(i.n, "markers", remedy, "the body ends without having begun")
	case len(i.loops) > 0:
		i.notes.problem(i.n, "repeat-unbalanced", "close it with M808 before the body ends", "the body ends inside the repeat of line %d", i.loops[len(i.loops)-1].opened)
		i.loops = nil
		i.closeBody()
	default:
		i.closeBody()
	}
}

// heaterInBody says why a line that switches a heater off inside a marked body
// is withheld, or nothing. It refuses a heater that is switched on again.
func (i *inspector) heaterInBody() string {
	bed, valueC, ok := heats(&i.l, i.st.Tool)
	if !ok {
		return ""
	}
	which, name := 0, "nozzle"
	if bed {
		which, name = 1, "bed"
	}
	if valueC > 0 {
		if i.heaterOff[which] > 0 && i.fresh {
			i.heaterCycled(name, i.heaterOff[which], i.n)
		}
		return ""
	}
	i.heaterOff[which] = i.n
	return "heaters stay on from part to part; the lot switches them off"
}

// nozzleOf says which tool's nozzle a line heats, if it heats one; tool is the one in use.
func nozzleOf(l *gcode.Line, tool int) (of int, ok bool) {
	letter := byte('T')
	switch {
	case l.Is('M', 104), l.Is('M', 109):
	case l.HeatsTool():
		letter = 'P'
	default:
		return 0, false
	}
	if t, has := l.Get(letter); has {
		tool = int(t)
	}
	return tool, true
}

// heats reads a line that sets the bed's or the current nozzle's temperature.
func heats(l *gcode.Line, tool int) (bed bool, valueC float64, ok bool) {
	if l.Sub != 0 {
		return false, 0, false
	}
	switch {
	case l.Letter == 'M' && (l.Number == 140 || l.Number == 190):
		bed = true
	default:
		if t, is := nozzleOf(l, tool); !is || t != tool {
			return false, 0, false
		}
	}
	if valueC, ok = l.Get('S'); !ok {
		valueC, ok = l.Get('R')
	}
	return bed, valueC, ok
}
