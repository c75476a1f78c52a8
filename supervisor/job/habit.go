package job

import (
	"slices"
	"strconv"

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
	nozzleC  [8]float64
	chamberC float64
	said     bool
	hot      [8]bool // at any time
	chamber  bool
}

// words switch off what was hot at any time. One nozzle, the first, is the one that the run
// switches off anyway.
func (h *otherHeaters) words() (list []string) {
	for tool, hot := range h.hot {
		if hot && (tool > 0 || slices.Contains(h.hot[1:], true)) {
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
	if e.Number != 104 && e.Number != 109 {
		return
	}
	tool := i.st.Tool
	if t, ok := i.l.Get('T'); ok {
		tool = int(t)
	}
	if tool >= 0 && tool < len(i.use.heats.nozzleC) {
		i.use.heats.nozzleC[tool] = e.Value
		i.use.heats.hot[tool] = i.use.heats.hot[tool] || e.Value > 0
	}
	if tool != i.st.Tool && e.Value > 0 {
		i.otherHeater("nozzle " + strconv.Itoa(tool) + ", not the one in use")
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
	if v > 0 {
		i.use.heats.chamber = true
		i.otherHeater("the chamber")
	}
}

func (i *inspector) otherHeater(what string) {
	if i.use.heats.said || !i.fresh {
		return
	}
	i.use.heats.said = true
	i.notes.find(i.n, Warning, "heater-not-watched", "take it out of the job unless someone stays with the machine",
		"%s heats %s, which is switched off with the others and whose readings nobody watches", i.l.Name(), what)
}

// habits notes what is known at the end of the file.
func (i *inspector) habits() {
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
	h := &i.use.heats
	for tool, c := range h.nozzleC {
		if tool != i.st.Tool {
			off(c > 0, "M104 T"+strconv.Itoa(tool)+" S0", "heater of nozzle "+strconv.Itoa(tool))
		}
	}
	off(h.chamberC > 0, "M141 S0", "chamber heater")
}
