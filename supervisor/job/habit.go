package job

import (
	"strconv"
	"strings"

	"beltwarden/supervisor/gcode"
)

// This file knows what slicers commonly write for machines that make one part
// with someone nearby, and what becomes of it when the part is repeated.

// waiting is a word that waits for someone.
type waiting struct {
	line int64
	name string
}

// otherHeaters are heaters that the run does not watch: nozzles other than the one in use,
// and the chamber. Targets in degrees Celsius.
type otherHeaters struct {
	chamberC float64
	hot      [gcode.ToolCount]waiting // first line that heats each tool's nozzle, if any
	several  bool                     // a tool other than the first was heated or chosen
	chamber  bool
	tool     int // one more than the tool that extruded last; 0 for none
}

// words switch off what was hot at any time. One nozzle, the first, is the one that the run
// switches off anyway.
func (h *otherHeaters) words() (list []string) {
	for tool, hot := range h.hot {
		if hot.line > 0 && h.several {
			list = append(list, "M104 T"+strconv.Itoa(tool)+" S0")
		}
	}
	if h.chamber {
		list = append(list, "M141 S0")
	}
	return list
}

// otherNozzle follows every nozzle by its number.
func (i *inspector) otherNozzle(e *gcode.Effect) {
	tool, ok := nozzleOf(&i.l, i.st.Tool)
	if !ok || e.Value <= 0 || tool < 0 || tool >= gcode.ToolCount {
		return
	}
	h := &i.use.heats
	h.several = h.several || tool > 0
	if h.hot[tool].line == 0 {
		h.hot[tool] = waiting{i.n, i.l.Name()}
	}
}

// toolChosen follows which tools there are.
func (i *inspector) toolChosen() {
	i.use.heats.several = i.use.heats.several || i.st.Tool > 0
}

// toolExtrudes is told of the first move that extrudes with a tool other than the one before.
func (i *inspector) toolExtrudes() {
	h, tool := &i.use.heats, i.st.Tool
	h.tool = tool + 1
	if !i.fresh || tool <= 0 || tool >= gcode.ToolCount || h.hot[tool].line > 0 || i.st.NozzleTargetC == 0 {
		return // cold is noted elsewhere
	}
	i.notes.find(i.n, Warning, "tool-not-heated", "heat it by a line of the job, if it has a nozzle of its own",
		"tool %d pushes filament, and no line heats its nozzle: right where all tools share one nozzle, and too cold where they do not", tool)
}

// nozzlesUnwatched notes nozzles that are hot beside the one whose readings are watched.
func (i *inspector) nozzlesUnwatched() {
	for tool, hot := range i.use.heats.hot {
		if hot.line == 0 || i.p.Begin.NozzlesC[tool] == 0 && i.p.End.NozzlesC[tool] == 0 {
			continue
		}
		i.notes.find(hot.line, Warning, "heater-not-watched", "heat only the tool that makes the part, or stay with the machine",
			"%s heats nozzle %d, whose readings nobody watches while another tool is in use; it is switched off with the others", hot.name, tool)
		return
	}
}

func heatsChamber(l *gcode.Line) bool { return l.Is('M', 141) || l.Is('M', 191) }

// chamber follows M141 and M191.
func (i *inspector) chamber() {
	if !heatsChamber(&i.l) {
		return
	}
	v, ok := i.l.Get('S')
	if !ok {
		v, ok = i.l.Get('R')
	}
	if !ok {
		return
	}
	i.use.heats.chamberC = v
	if v > 0 && !i.use.heats.chamber {
		i.use.heats.chamber = true
		i.notes.find(i.n, Warning, "heater-not-watched", "take it out of the job unless someone stays with the machine",
			"%s heats the chamber, which is switched off with the others and whose readings nobody watches", i.l.Name())
	}
}

// habits notes what is known at the end of the file.
func (i *inspector) habits() {
	i.nozzlesUnwatched()
	if r := i.use.routines; len(r) > 0 {
		var names []string
		for _, w := range r {
			names = append(names, w.name)
		}
		i.notes.find(r[0].line, Info, "routine-of-board", "make sure that they do not move the belt while parts lie on it",
			"routines of the board, which move the machine by themselves before or after the parts: %s", strings.Join(names, ", "))
	}
	for _, w := range i.use.waits {
		severity, text := Warning, "%s waits, hot and without end, for someone at the machine"
		remedy := "take it out of the job unless someone is there"
		switch {
		case w.line > i.p.Body.LastLine && i.cut == byItself:
			continue // it is not sent
		case w.line >= i.p.Body.FirstLine && w.line <= i.p.Body.LastLine:
			severity, text = Error, text+", at every part"
			remedy = "take it out of the job; to be called between parts set hold.every_parts"
		}
		i.notes.find(w.line, severity, "waits-for-operator", remedy, text, w.name)
	}
	if i.part.perhaps > 0 && i.cut == byItself {
		i.notes.find(i.begin.line, Warning, "purge-repeated", "if so, write ;beltwarden body begin after it, with the nozzle raised, and ;beltwarden body end after the part's last move",
			"the first %d extruding moves, %s, may be a purge line: if they are, it is drawn again for every part and needs its place on the belt",
			i.part.perhaps, i.part.perhapsWhy)
	}
	if i.purge > 0 && i.cut == byItself {
		i.purgeUnder()
		i.notes.find(i.begin.line, Info, "purge-once", "if the part begins elsewhere, mark it with ;beltwarden body begin and ;beltwarden body end",
			"what is extruded before this line, in %d moves, is a purge and is made once, before the first part: %s", i.purge, i.part.why)
	}
}

// purgeUnder notes a purge on which later parts would stand: each lies a pitch behind the one before.
func (i *inspector) purgeUnder() {
	if i.o.BeltAxis != gcode.Y {
		return
	}
	m := &i.end.m
	first, _ := m.along(&i.o)
	for _, b := range i.purged {
		far := b.maxY
		if i.o.Forward < 0 {
			far = -b.minY
		}
		if over := far - first - i.p.PitchMM; over > 0 && b.maxX > m.minMM[gcode.X] && b.minX < m.maxMM[gcode.X] {
			i.notes.find(i.begin.line, Warning, "purge-under-parts", "draw the purge across the belt in front of the part, or beside it",
				"the purge before the first part reaches %.1f mm along the belt to where later parts are made, and they would stand on it", over)
			return
		}
	}
}

// othersOff switches off what the file leaves on of the other heaters.
func (i *inspector) othersOff(off func(on bool, text, what string)) {
	for tool, c := range i.st.NozzlesC {
		off(c > 0, "M104 T"+strconv.Itoa(tool)+" S0", "heater of nozzle "+strconv.Itoa(tool))
	}
	off(i.use.heats.chamberC > 0, "M141 S0", "chamber heater")
}
