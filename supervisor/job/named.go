package job

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	"beltwarden/supervisor/gcode"
)

// NamedWord is what a board's own named word does, as its owner has said: BEGIN_JOB BED=60
// EXTRUDER=210 heats, homes and purges on many boards, and nothing in the file says so.
type NamedWord struct {
	Word string
	// Nozzle and Bed are the names of the arguments that are their targets, or the targets
	// themselves in degrees Celsius; empty: the word does not heat it.
	Nozzle, Bed string
	// Extruder is "relative" or "absolute" where the word says so of E words.
	Extruder string
	// Homes says that the word homes the axes that have an end stop.
	Homes bool
}

// known returns what is said of a named line, or nil.
func (o *Options) known(l *gcode.Line) *NamedWord {
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

// target finds the temperature that a heater of the word is set to; has is false where the line
// does not say.
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

// knownTooHot judges the temperatures of a named word that its owner has described.
func (o *Options) knownTooHot(l *gcode.Line) refusal {
	w := o.known(l)
	if w == nil {
		return refusal{}
	}
	for _, h := range []struct {
		heater
		said string
	}{{nozzleHeater, w.Nozzle}, {bedHeater, w.Bed}} {
		if c, ok := w.target(l, h.said); ok && h.said != "" {
			if r := o.above(h.heater, c); r.code != "" {
				return r
			}
		}
	}
	return refusal{}
}

// named follows a word that its owner has described: what it does is said in words that everyone
// follows, beside it. sent is told once the word itself has been taken.
func (i *inspector) named() (sent func()) {
	w := i.o.known(&i.l)
	if w == nil {
		return func() {}
	}
	name, _ := field(i.l.Text())
	why := "as the configuration says of " + string(name)
	heat := func(said, code, what string, now *float64) {
		if said == "" {
			return
		}
		c, ok := w.target(&i.l, said)
		switch {
		case !ok && i.fresh:
			i.notes.find(i.n, Warning, "named-word-argument", "write it, or correct job.named_words",
				"%s has no number for %s, which would be the %s's target", name, said, what)
		case ok && *now != c:
			i.also(i.n, code+" S"+strconv.FormatFloat(c, 'f', -1, 64), why)
			*now = c
		}
	}
	heat(w.Bed, "M140", "bed", &i.st.BedTargetC)
	heat(w.Nozzle, "M104", "nozzle", &i.st.NozzleTargetC)
	i.use.bedSet = i.use.bedSet || i.st.BedTargetC > 0
	if c := i.st.NozzleTargetC; c > 0 && i.use.heats.hot[0].line == 0 && i.st.Tool == 0 {
		i.use.heats.hot[0] = waiting{i.n, string(name)}
	}
	i.use.unhomed = i.use.unhomed || w.Homes
	return func() {
		word := map[string]string{"relative": "M83", "absolute": "M82"}[w.Extruder]
		if word == "" {
			return
		}
		i.use.extruder, i.use.split = true, false
		i.st.RelativeE, i.st.ExtruderUnsure = word == "M83", false
		i.also(i.n+1, word, why)
	}
}

// also adds a line that is sent too.
func (i *inspector) also(line int64, text, why string) {
	i.add(line, i.section, text, why)
	i.sent++
	i.m.bytes.added(text)
}

// sayWhatHeats is how to say in the configuration what a named word does, for one whose arguments
// look like temperatures; "" for others.
func sayWhatHeats(l *gcode.Line) string {
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
