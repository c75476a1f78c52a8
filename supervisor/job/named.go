package job

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	"beltwarden/supervisor/gcode"
)

// NamedWord describes a board's own named command: BEGIN_JOB BED=60 EXTRUDER=210 heats, homes and
// purges on many boards, and nothing in the file says so.
type NamedWord struct {
	Word string
	// Nozzle and Bed are the names of the arguments that are their targets, or the targets
	// themselves in degrees Celsius; empty: the word does not heat it.
	Nozzle, Bed string
	// Extruder is "relative" or "absolute" if the command sets the mode of E words.
	Extruder string
	// Homes: the command homes the axes that have an end stop.
	Homes bool
}

// namedWord returns the description of a named command, or nil.
func (o *Options) namedWord(l *gcode.Line) *NamedWord {
	if len(o.NamedWords) == 0 || !l.Named() {
		return nil
	}
	name, _ := field(l.Text())
	for k := range o.NamedWords {
		if w := &o.NamedWords[k]; bytes.EqualFold(name, []byte(w.Word)) {
			return w
		}
	}
	return nil
}

// target is a heater that a named command sets, and the argument or value.
type target struct {
	heater
	argument   string
	code, what string // of the heater
}

// targets returns what the command heats.
func (w *NamedWord) targets() (list []target) {
	for _, t := range []target{{bedHeater, w.Bed, "M140", "bed"}, {nozzleHeater, w.Nozzle, "M104", "nozzle"}} {
		if t.argument != "" {
			list = append(list, t)
		}
	}
	return list
}

// target returns the temperature that the line sets; has is false if it sets none.
func (w *NamedWord) target(l *gcode.Line, said string) (c float64, has bool) {
	if v, err := strconv.ParseFloat(said, 64); err == nil {
		return v, true
	}
	_, rest := field(l.Text())
	for len(rest) > 0 {
		var arg []byte
		arg, rest = field(rest)
		key, value, ok := assigned(arg)
		if !ok && len(arg) > 1 && !letters(arg[1:2]) { // S210
			key, value = arg[:1], arg[1:]
		}
		if strings.EqualFold(string(key), said) {
			v, err := strconv.ParseFloat(string(value), 64)
			return v, err == nil && v >= 0
		}
	}
	return 0, false
}

// namedWordTooHot judges the temperatures of a described named command.
func (o *Options) namedWordTooHot(l *gcode.Line) refusal {
	w := o.namedWord(l)
	if w == nil {
		return refusal{}
	}
	for _, t := range w.targets() {
		if c, ok := w.target(l, t.argument); ok {
			if r := o.above(t.heater, c); r.code != "" {
				return r
			}
		}
	}
	return refusal{}
}

// suggestNamedWord suggests a configuration entry for a named command whose arguments look like
// temperatures; "" for others.
func suggestNamedWord(l *gcode.Line) string {
	name, rest := field(l.Text())
	var nozzle, bed string
	for len(rest) > 0 {
		var arg []byte
		arg, rest = field(rest)
		key, value, ok := assigned(arg)
		if v, err := strconv.ParseFloat(string(value), 64); !ok || err != nil || v < 20 {
			continue
		}
		switch h := heaterIn(key); {
		case h == bedHeater && bed == "":
			bed = string(key)
		case h == nozzleHeater && nozzle == "":
			nozzle = string(key)
		}
	}
	switch {
	case nozzle != "" && bed != "":
		return fmt.Sprintf("{word: %s, nozzle: %s, bed: %s, homes: true}", name, nozzle, bed)
	case nozzle != "":
		return fmt.Sprintf("{word: %s, nozzle: %s, homes: true}", name, nozzle)
	}
	return ""
}
