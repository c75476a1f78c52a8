package job

import (
	"strconv"

	"beltwarden/supervisor/gcode"
)

// heaters follows what the file heats: whether the part is made hot, which heaters the run does not
// watch, and what must be switched off. Targets in degrees Celsius.
type heaters struct {
	o     *Options
	notes *notes

	bedSet        bool
	bedOff        int64   // first line that switches the bed off
	nozzleWait    int64   // first line that waits for the nozzle
	waitedC       float64 // target that the nozzle was waited for
	cold          bool    // noted already
	namedWordHint string  // configuration entry to suggest for a named word that heats

	// Heaters that the run does not watch: nozzles other than the one in use, and the chamber.
	hot         [gcode.ToolCount]waiting // first line that heats each tool's nozzle, if any
	several     bool                     // a tool other than the first was heated or chosen
	chamber     bool
	chamberNowC float64
	tool        int // one more than the tool that extruded last; 0 for none
}

// nozzleOf returns which tool's nozzle a line heats, if any; tool is the present one.
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

// set follows a line that sets a target, already applied.
func (h *heaters) set(l *line, st *gcode.State) {
	if tool, ok := nozzleOf(&l.Line, st.Tool); ok && l.e.Value > 0 && tool >= 0 && tool < gcode.ToolCount {
		h.several = h.several || tool > 0
		if h.hot[tool].line == 0 {
			h.hot[tool] = waiting{l.n, l.Name()}
		}
	}
	bed, _, ok := heats(&l.Line, st.Tool)
	switch {
	case !ok:
	case l.e.Value > 0:
		h.bedSet = h.bedSet || bed
		if l.e.Number == 109 {
			h.waitedC = l.e.Value
			if h.nozzleWait == 0 {
				h.nozzleWait = l.n
			}
		}
	case bed && h.bedOff == 0:
		h.bedOff = l.n
	}
}

// named notes a named command, which the configuration may not describe.
func (h *heaters) named(l *line) {
	if h.namedWordHint == "" {
		h.namedWordHint = suggestNamedWord(&l.Line)
	}
}

// markHeated notes the targets that a named command has set.
func (h *heaters) markHeated(name string, l *line, st *gcode.State) {
	h.bedSet = h.bedSet || st.BedTargetC > 0
	if st.NozzleTargetC > 0 && h.hot[0].line == 0 && st.Tool == 0 {
		h.hot[0] = waiting{l.n, name}
	}
}

// toolChosen notes which tools are used.
func (h *heaters) toolChosen(st *gcode.State) { h.several = h.several || st.Tool > 0 }

func heatsChamber(l *gcode.Line) bool { return l.Is('M', 141) || l.Is('M', 191) }

// setChamber follows M141 and M191.
func (h *heaters) setChamber(l *line) {
	if !heatsChamber(&l.Line) {
		return
	}
	v, ok := l.Get('S')
	if !ok {
		v, ok = l.Get('R')
	}
	if !ok {
		return
	}
	h.chamberNowC = v
	if v > 0 && !h.chamber {
		h.chamber = true
		h.notes.add(l.n, Warning, "heater-not-watched", "take it out of the job unless someone stays with the machine",
			"%s heats the chamber, which is switched off with the others and whose readings nobody watches", l.Name())
	}
}

// extrudes follows a move that extrudes; most have the same tool as the previous one, hot.
func (h *heaters) extrudes(l *line, st *gcode.State, in SectionKind) {
	if h.tool != st.Tool+1 || st.NozzleTargetC < coldC {
		h.checkTool(l, st, in)
	}
}

// coldC is the lowest nozzle target that melts anything (common practice, no source).
const coldC = 150

func (h *heaters) checkTool(l *line, st *gcode.State, in SectionKind) {
	if tool := st.Tool; h.tool != tool+1 {
		h.tool = tool + 1
		if l.fresh && tool > 0 && tool < gcode.ToolCount && h.hot[tool].line == 0 && st.NozzleTargetC != 0 { // cold is noted below
			h.notes.add(l.n, Warning, "tool-not-heated", "heat it by a line of the job, if it has a nozzle of its own",
				"tool %d pushes filament, and no line heats its nozzle: right where all tools share one nozzle, and too cold where they do not", tool)
		}
	}
	if h.cold || in != Body || !l.fresh || st.NozzleTargetC >= coldC {
		return
	}
	h.cold = true
	severity := Warning
	if st.NozzleTargetC == 0 {
		severity = Error
	}
	remedy := "set the nozzle temperature before the part"
	if h.namedWordHint != "" {
		remedy = "write into the configuration what heats it, under job.named_words: - " + h.namedWordHint
	}
	h.notes.add(l.n, severity, "cold-extrusion", remedy, "filament is pushed with the nozzle set to %g C", st.NozzleTargetC)
}

// waitBeforePurge makes the board wait for the nozzle before the purge if the job heats it and does
// not wait: the lot heats for parts, not for what comes before them. It returns the line to send
// first, "" for none.
func (h *heaters) waitBeforePurge(st *gcode.State) string {
	c := st.NozzleTargetC
	if c == 0 || c <= h.waitedC {
		return ""
	}
	h.waitedC = c
	return "M109 S" + strconv.FormatFloat(c, 'f', -1, 64)
}

// bedHeating heats the bed before the part if the job does not.
func (h *heaters) bedHeating(part int64) []Change {
	if h.bedSet {
		return nil
	}
	c := h.o.BedC
	if c == 0 {
		h.notes.add(0, Warning, "no-bed-temperature", "set job.bed_c if the part needs a warm belt", "the job sets no bed temperature")
		return nil
	}
	text := strconv.FormatFloat(c, 'f', -1, 64)
	h.notes.add(0, Info, "bed-added", "", "the job sets no bed temperature; %s C is added", text)
	if h.o.BedCeilingC > 0 && c > h.o.BedCeilingC {
		h.notes.add(0, Error, "bed-ceiling", "lower job.bed_c", "the bed is to be heated to %s C, above the ceiling of %g C", text, h.o.BedCeilingC)
	}
	wait := part
	if w := h.nozzleWait; w > 0 && w < wait && (h.bedOff == 0 || h.bedOff >= wait) {
		wait = w
	}
	const why = "the job sets no bed temperature"
	return []Change{{1, LeadIn, "M140 S" + text, why}, {wait, LeadIn, "M190 S" + text, why}}
}

// leftOn returns what the file leaves on of heaters that the modal state does not include.
func (h *heaters) leftOn() []leftover {
	if h.chamberNowC > 0 {
		return []leftover{{"M141 S0", "chamber heater"}}
	}
	return nil
}

// offLines returns the lines that switch off what was heated. A single first nozzle is switched off
// by the run anyway.
func (h *heaters) offLines() (list []string) {
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

// finish notes a hot nozzle besides the one whose readings are watched.
func (h *heaters) finish(p *Plan) {
	for tool, hot := range h.hot {
		if hot.line == 0 || p.Begin.NozzlesC[tool] == 0 && p.End.NozzlesC[tool] == 0 {
			continue
		}
		h.notes.add(hot.line, Warning, "heater-not-watched", "heat only the tool that makes the part, or stay with the machine",
			"%s heats nozzle %d, whose readings nobody watches while another tool is in use; it is switched off with the others", hot.name, tool)
		return
	}
}
