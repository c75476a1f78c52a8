package job

import (
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"

	"beltwarden/supervisor/gcode"
)

// finish closes the sections and writes the plan, once the file has been read.
func (i *inspector) finish() error {
	if i.endable && i.cut == byItself && i.section == Body {
		i.end, i.endProblems = i.next(), len(i.notes.problems)
	}
	if i.cut == byLines && !i.closed && i.o.Part.To == i.lines {
		i.closeLines(i.next())
	}
	if i.cut == byItself && i.section != LeadIn {
		i.notes.drop(i.endProblems)
	}
	i.p.Lines = i.lines
	if i.complete() {
		if err := i.takeOut(); err != nil {
			return err
		}
		i.sections()
		i.known()
		i.p.Begin, i.p.End = i.begin.st, i.end.st
		i.preamble()
		i.carry()
		i.ending()
		i.arrange()
		i.filamentOfFile()
		i.end.m.fill(i.p, &i.o)
		i.clipped(&i.end.m.clock)
		i.p.LeadInBeltMM, i.p.LeadOutBeltMM = i.begin.beltMM, i.m.travelMM-i.end.m.travelMM
		if i.cut == byItself {
			i.p.LeadOutBeltMM = 0 // its words are left out
		}
		i.p.Heat = i.p.HeatTimes(i.o.Heat.Heaters, i.o.Heat.ReleaseC, i.o.Heat.NozzleStandbyC)
		i.p.Evidence = i.evidence()
		i.advise()
		i.habits()
	}
	i.notes.closeLists(i.p)
	return nil
}

// complete reports whether the file has a body.
func (i *inspector) complete() bool {
	switch {
	case i.o.Part.To > i.lines:
		i.notes.problem(0, "part-lines", "name lines of this file", "the part is to be in lines %d to %d, and the file has %d", i.o.Part.From, i.o.Part.To, i.lines)
	case i.cut == byMarks && !i.closed:
		i.notes.problem(i.begin.line-1, "markers", "write ;beltwarden body end after the part", "the body begins but does not end")
	case i.cut == byRepeat && !i.closed:
		line := i.outer
		if k := len(i.loops); k > 0 {
			line = i.loops[k-1].opened
		}
		i.notes.problem(line, "repeat-unbalanced", "close it with M808 on a line of its own", "a repeat begins but does not end")
	case i.cut == byItself && i.section == LeadIn, i.cut != byItself && !i.end.m.extruded:
		i.notes.problem(i.begin.line, "no-part", "check that the file was sliced for a filament printer, and where it marks the part",
			"no move extrudes filament, so there is no part")
	default:
		return true
	}
	return false
}

func (i *inspector) sections() {
	p, b, e := i.p, &i.begin, &i.end
	p.LeadIn = Section{FirstLine: 1, LastLine: b.line - 1, FromByte: 0, ToByte: b.at, crcTo: b.crc, SendLines: b.sent}
	p.Body = Section{FirstLine: b.line, LastLine: e.line - 1, FromByte: b.at, ToByte: e.at, crcFrom: b.crc, crcTo: e.crc, SendLines: e.sent - b.sent}
	p.LeadOut = Section{FirstLine: e.line, LastLine: i.lines, FromByte: e.at, ToByte: i.p.SourceBytes, crcFrom: e.crc,
		crcTo: i.src.sum(i.highWater), SendLines: i.sent - e.sent}
	switch i.cut {
	case byItself:
		first := "the first extruding move"
		if i.purge > 0 {
			first = "the first extruding move after the purge"
		}
		p.LeadIn.Why = "all before " + first
		p.Body.Why = fmt.Sprintf("from %s in line %d to the last one, with the filament drawn back and the lift after it", first, b.line)
		p.LeadOut.Why = "all after the part's last move"
		if i.tail.open {
			p.LeadOut.Why += fmt.Sprintf("; %s in line %d shuts the machine down", i.tail.why, i.tail.line)
		}
	case byRepeat:
		p.LeadIn.Why = "all up to the outermost M808 with a count"
		p.Body.Why = fmt.Sprintf("between the outermost M808 words in lines %d and %d", b.line-1, e.line)
		p.LeadOut.Why = "all from the closing M808 on"
	case byLines:
		p.LeadIn.Why = "all before the lines that were named as the part"
		p.Body.Why = fmt.Sprintf("lines %d to %d, as was said", b.line, e.line-1)
		p.LeadOut.Why = "all behind them"
	case byMarks:
		p.LeadIn.Why = "all up to the comment ;beltwarden body begin"
		p.Body.Why = fmt.Sprintf("between the marker comments in lines %d and %d", b.line-1, e.line)
		p.LeadOut.Why = "all from the comment ;beltwarden body end on"
	}
}

// known refuses a body whose ends cannot be placed.
func (i *inspector) known() {
	if i.notes.counts["!motion-unknown"] > 0 {
		return // said already
	}
	if belt := i.o.BeltAxis; !i.begin.st.Known[belt] && !i.use.lost {
		// Never moved so far: where it stands may as well be called zero.
		i.use.needBeltZero = true
		i.end.st.Known[belt] = true
	}
	for a := gcode.X; a <= gcode.Z; a++ {
		if !i.begin.st.Known[a] && !(a == i.o.BeltAxis && i.use.needBeltZero) {
			i.notes.problem(i.begin.line, "position-unknown", "home the axis, set it with G92 or move to an absolute coordinate before the part",
				"where axis %s stands when the part begins is not known, so it cannot be brought back there", a)
		} else if !i.end.st.Known[a] {
			i.notes.problem(i.end.line-1, "position-unknown", "move to an absolute coordinate at the end of the part",
				"where axis %s stands when the part ends is not known", a)
		}
	}
}

// preamble adds what the file relies on without saying it.
func (i *inspector) preamble() {
	u, st := &i.use, &i.begin.st
	var front []Change
	put := func(need bool, text, why string) {
		if need {
			front = append(front, Change{Line: 1, Section: LeadIn, Text: text, Why: why})
			i.p.LeadIn.SendLines++
		}
	}
	put(u.needUnits, "G21", "the job counts on millimetres without saying so")
	put(u.needDistance, "G90", "the job counts on absolute coordinates without saying so")
	put(u.needExtruder && !u.relative, "M82", "the job counts on absolute extruder coordinates without saying so")
	put(u.relative, "M83", "the job counts on relative extruder coordinates without saying so")
	put(u.needExtruderZero, "G92 E0", "the job counts on the extruder standing at 0 without saying so")
	put(u.needBeltZero, "G92 "+i.o.BeltAxis.String()+"0", "the belt has no home: the place where it stands is called 0")
	put(!st.FanKnown && i.st.FanKnown, "M107", "the job counts on the fan being off without saying so")
	if !st.FanKnown && i.st.FanKnown {
		i.p.Begin.FanKnown = true
		i.p.End.FanKnown = true
	}
	if u.needBeltZero {
		i.p.Begin.Known[i.o.BeltAxis] = true
	}
	i.p.Added = append(front, i.p.Added...)
	i.bed()
}

// bed adds the bed temperature that a job lacks.
func (i *inspector) bed() {
	if i.use.bedSet {
		return
	}
	if i.o.BedC == 0 {
		i.notes.find(0, Warning, "no-bed-temperature", "set job.bed_c if the part needs a warm belt", "the job sets no bed temperature")
		return
	}
	text := strconv.FormatFloat(i.o.BedC, 'f', -1, 64)
	i.notes.find(0, Info, "bed-added", "", "the job sets no bed temperature; %s C is added", text)
	if i.o.BedCeilingC > 0 && i.o.BedC > i.o.BedCeilingC {
		i.notes.find(0, Error, "bed-ceiling", "lower job.bed_c", "the bed is to be heated to %s C, above the ceiling of %g C", text, i.o.BedCeilingC)
	}
	wait := i.begin.line
	if w := i.use.nozzleWait; w > 0 && w < wait && (i.use.bedOff == 0 || i.use.bedOff >= wait) {
		wait = w
	}
	const why = "the job sets no bed temperature"
	i.p.Added = append(i.p.Added, Change{1, LeadIn, "M140 S" + text, why}, Change{wait, LeadIn, "M190 S" + text, why})
	i.p.LeadIn.SendLines += 2
	i.p.Begin.BedTargetC, i.p.End.BedTargetC = i.o.BedC, i.o.BedC
	i.st.BedTargetC = i.o.BedC
}

// carry notes what the body changes and no line can bring back.
func (i *inspector) carry() {
	for k := range gcode.SettingCount {
		extra := i.p.End.Settings[k].Set &^ i.p.Begin.Settings[k].Set
		if gcode.SettingWord(k) == 204 {
			extra &^= 1 << ('S' - 'A') // it is P and T at once
		}
		if extra != 0 {
			i.notes.find(i.begin.line, Warning, "setting-not-before", "set it before the part too, so that every part begins alike",
				"M%d is set inside the part and not before it: the first part begins with the board's own value, later ones with the job's", gcode.SettingWord(k))
		}
	}
	added := slices.DeleteFunc(i.p.End.Lasting.Added(&i.p.Begin.Lasting), func(line string) bool { return strings.HasPrefix(line, "M106 ") })
	if len(added) > 0 {
		i.notes.find(i.begin.line, Warning, "setting-not-before", "set it before the part too, so that every part begins alike",
			"set inside the part and not before it, so that the first part begins with the board's own value, later ones with the job's: %s", strings.Join(added, ", "))
	}
}

// ending switches off what the file leaves on, and tells what it does to the belt.
func (i *inspector) ending() {
	after := i.lines + 1
	off := func(on bool, text, what string) {
		if !on {
			return
		}
		i.p.Added = append(i.p.Added, Change{after, LeadOut, text, "the job leaves the " + what + " on"})
		i.p.LeadOut.SendLines++
		i.notes.find(i.lines, Info, "left-on", "", "the job leaves the %s on; %s is added at the end", what, text)
	}
	off(i.st.NozzleTargetC > 0, "M104 S0", "nozzle heater")
	off(i.st.BedTargetC > 0, "M140 S0", "bed heater")
	off(i.st.FanS > 0, "M107", "fan")
	off(i.st.VolumetricMM > 0, "M200 D0", "reading of E words as volumes")
	for _, line := range i.st.Lasting.FansOff() {
		off(true, line, "fan of "+strings.Fields(line)[1])
	}
	i.othersOff(off)
	i.p.OtherOff = i.use.heats.words()
	if mm := i.m.travelMM - i.end.m.travelMM; mm > 0 && i.cut != byItself {
		i.notes.find(i.end.line, Info, "belt-in-lead-out", "", "the lead-out moves the belt by %.2f mm in all", mm)
	}
}

// arrange gives every change its section and puts them in order.
func (i *inspector) arrange() {
	p := i.p
	sectionOf := func(line int64) SectionKind {
		switch {
		case line < p.Body.FirstLine:
			return LeadIn
		case line <= p.Body.LastLine:
			return Body
		}
		return LeadOut
	}
	for k := range p.Withheld {
		p.Withheld[k].Section = sectionOf(p.Withheld[k].Line)
	}
	order := map[SectionKind]int{LeadIn: 0, Body: 1, LeadOut: 2}
	for k := range p.Added {
		if c := &p.Added[k]; c.Line != p.Body.FirstLine && c.Line <= p.Lines { // others stand at a section's end
			c.Section = sectionOf(c.Line)
		}
	}
	sort.SliceStable(p.Withheld, func(a, b int) bool { return p.Withheld[a].Line < p.Withheld[b].Line })
	sort.SliceStable(p.Added, func(a, b int) bool {
		x, y := &p.Added[a], &p.Added[b]
		if x.Section != y.Section {
			return order[x.Section] < order[y.Section]
		}
		return x.Line < y.Line
	})
}

// advise notes what the finished figures show.
func (i *inspector) advise() {
	p := i.p
	back := i.end.m.backMM(&i.o)
	i.placed()
	if back > 1 {
		i.notes.find(0, Info, "low-travel", "raise the nozzle above the part's height before such moves, also before the part begins, and the parts lie closer",
			"without rising above the part the nozzle goes %.2f mm beyond it, to where the part before would stand; the pitch allows for it", back)
	}
	if least := max(i.o.PitchMM, p.Placing.LeastPitchMM); p.BeltAdvanceMM > least+0.01 {
		i.notes.find(p.Body.LastLine, Info, "belt-carried-on", "take belt moves after the part out of the job, or mark its end with ;beltwarden body end, and the parts lie closer",
			"the part itself carries the belt on by %.2f mm, which is the pitch; %.2f mm would do", p.BeltAdvanceMM, least)
	}
	if little := p.FilamentMM / p.FilamentGrossMM; !p.Begin.RelativeE && (p.FilamentGrossMM > 100 && little < 0.05 || p.FilamentGrossMM > 5 && little < 0.01) {
		i.notes.find(p.Body.FirstLine, Error, "extruder-mode", "say which it is: write M82 or M83 at the start of the job",
			"of %.0f mm of filament pushed %.1f mm stay in the part: its E words are probably relative, and the file does not say so", p.FilamentGrossMM, p.FilamentMM)
	}
	if p.FilamentMM <= 0 {
		i.notes.find(0, Warning, "no-filament", "check the extruder mode (M82, M83) in the job", "one part uses %.2f mm of filament", p.FilamentMM)
	}
}
