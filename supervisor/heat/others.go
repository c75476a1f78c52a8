package heat

import (
	"slices"
	"strings"
)

// Others are the heaters besides nozzle and bed that the board has reported or a job has heated.
// Nobody watches their readings, but they are switched off with nozzle and bed.
type Others struct {
	chamber, second bool // the board reports them
	lines           []string
}

// Reported notes which other heaters a report includes.
func (o *Others) Reported(chamber, second bool) {
	o.chamber, o.second = o.chamber || chamber, o.second || second
}

// Heated notes the lines that switch off what a job heats. They are kept when its lot ends.
func (o *Others) Heated(off []string) {
	for _, line := range off {
		if !slices.Contains(o.lines, line) {
			o.lines = append(o.lines, line)
		}
	}
}

// Off returns the lines that switch them off.
func (o *Others) Off() []string {
	list := slices.Clone(o.lines)
	add := func(is bool, line string) {
		if is && !slices.Contains(list, line) {
			list = append(list, line)
		}
	}
	add(o.second, "M104 T1 S0")
	add(o.chamber, "M141 S0")
	return list
}

// NotShownOff describes them for a person as switched off but not proven; "" if there are none.
func (o *Others) NotShownOff() string {
	list := o.Off()
	if len(list) == 0 {
		return ""
	}
	return "; switched off and not monitored: " + strings.Join(list, ", ")
}
