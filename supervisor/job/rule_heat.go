package job

import (
	"bytes"
	"fmt"
	"math"
	"strconv"

	"beltwarden/supervisor/gcode"
)

// heater is what a line heats, as far as ceilings differ.
type heater uint8

const (
	noHeater heater = iota
	nozzleHeater
	bedHeater
	chamberHeater
)

// tooHot refuses a line that some board could read as heating above a ceiling.
func (o *Options) tooHot(l *gcode.Line) refusal {
	switch {
	case l.Letter == '#', l.Opaque():
		return o.namedTooHot(l.Text())
	case l.Letter == 'G' && l.Number == 10, l.Letter == 'M':
	default:
		return refusal{}
	}
	heated := false
	for k, w := range l.Words() {
		h := heatedBy(l, w.Letter)
		text, touches := l.Source(k)
		switch {
		case heated && touches && (w.Letter == 'E' || w.Letter == 'X'):
			// S4E2 and S0X190 are 400 to boards that read numbers as the C library does.
			return unclear(l.Name(), "a number that boards may read with an exponent or in another base")
		case h == noHeater:
		case w.Letter == 'I' && l.Letter == 'M':
			return unclear(l.Name(), "a temperature that is stored on the board, and of which only the number is given")
		case w.HasValue:
			if r := o.above(h, w.Value); r.code != "" {
				return r
			}
		case len(text) > 0:
			return unclear(l.Name(), "a text where a temperature belongs")
		}
		heated = h != noHeater
	}
	return refusal{}
}

// heatedBy returns what the word of that letter heats in a G10 or M line. In lines that only
// heat, every number counts: those that are no temperature are far below any ceiling.
func heatedBy(l *gcode.Line, letter byte) heater {
	only := func(h heater, letters string) heater {
		if bytes.IndexByte([]byte(letters), letter) < 0 {
			return noHeater
		}
		return h
	}
	if l.Letter == 'G' {
		return only(nozzleHeater, "SRB")
	}
	switch l.Number {
	case 104, 109:
		return nozzleHeater
	case 140, 190:
		return bedHeater
	case 141, 191:
		return chamberHeater
	case 145: // stored, and heated to later
		if letter == 'B' {
			return bedHeater
		}
		return only(nozzleHeater, "H")
	case 568:
		return only(nozzleHeater, "SRB")
	}
	return noHeater
}

// above refuses a temperature above the heater's ceiling. A chamber has that of the bed, or of the
// nozzle if the bed has none.
func (o *Options) above(h heater, c float64) refusal {
	what, ceiling := "nozzle", o.NozzleCeilingC
	if h != nozzleHeater && o.BedCeilingC > 0 {
		ceiling = o.BedCeilingC
	}
	switch h {
	case bedHeater:
		what, ceiling = "bed", o.BedCeilingC
	case chamberHeater:
		what = "chamber"
	}
	if ceiling <= 0 || c <= ceiling {
		return refusal{}
	}
	return refusal{code: what + "-ceiling", text: fmt.Sprintf("the %s is to be heated to %g C, above the ceiling of %g C", what, c, ceiling),
		remedy: "lower it in the job, or raise the ceiling in the configuration if the machine is made for it"}
}

func unclear(name, what string) refusal {
	return refusal{code: "temperature-unclear", text: name + " has " + what, remedy: "write the temperature out in digits"}
}

// namedTooHot judges a named command. Only the board's owner knows what it does: an argument counts
// as a temperature if its name, or that of a command about heat, suggests it.
func (o *Options) namedTooHot(text []byte) refusal {
	name, args := field(text)
	if _, _, ok := assigned(name); !ok { // else there is no name, but an argument first
		text = args
	}
	hot, general := isHeatCommand(name), heaterIn(name)
	for rest := text; len(rest) > 0; {
		var arg []byte
		arg, rest = field(rest)
		if key, value, ok := assigned(arg); ok && contains(key, "HEATER") {
			if h := heaterIn(value); h != noHeater {
				general = h
			}
		}
	}
	for len(text) > 0 {
		var arg []byte
		if arg, text = field(text); len(arg) == 0 {
			break
		}
		key, value, ok := assigned(arg)
		if next := bytes.TrimLeft(text, " \t"); !ok && len(next) > 0 && next[0] == '=' { // KEY = 200
			value, text = field(next[1:])
		} else if !ok {
			if key, value = arg[:0], arg; len(arg) > 1 && letters(arg[:1]) && !letters(arg[1:2]) {
				key, value = arg[:1], arg[1:] // S200
			}
		} else if len(value) == 0 && len(text) > 0 { // KEY= 200
			if next, rest := field(text); !bytes.ContainsAny(next, "=:") {
				value, text = next, rest
			}
		}
		if r := o.argument(key, value, name, hot, general); r.code != "" {
			return r
		}
	}
	return refusal{}
}

// argument judges one argument of a named command. hot: the command's name is about heat; general
// is the heater that the command is about.
func (o *Options) argument(key, value, name []byte, hot bool, general heater) refusal {
	named := hot && isValueKey(key)
	for rest := key; len(rest) > 0 && !named; { // what stands between names is none
		k := 0
		for k < len(rest) && (letters(rest[k:k+1]) || rest[k] >= '0' && rest[k] <= '9' || rest[k] == '_' || rest[k] == '-') {
			k++
		}
		named = isTemperatureName(rest[:k])
		rest = rest[min(k+1, len(rest)):]
	}
	if !named {
		return refusal{}
	}
	h := heaterIn(key)
	if h == noHeater {
		h = general
	}
	if h == noHeater {
		h = nozzleHeater
	}
	c, ok := highestNumber(value)
	if !ok {
		return unclear(string(name[:min(len(name), 40)]), "a temperature that cannot be read")
	}
	return o.above(h, c)
}

// field cuts the first field off, at white space outside of quotes.
func field(text []byte) (first, rest []byte) {
	from := 0
	for from < len(text) && (text[from] == ' ' || text[from] == '\t' || text[from] == ',') {
		from++
	}
	quote := byte(0)
	for k := from; k < len(text); k++ {
		switch c := text[k]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == ' ' || c == '\t' || c == ',':
			return text[from:k], text[k:]
		}
	}
	return text[from:], nil
}

// assigned splits an argument into name and value. If it has more than one sign between them, both
// include what boards could read.
func assigned(arg []byte) (key, value []byte, ok bool) {
	k := bytes.IndexAny(arg, "=:")
	if k < 0 {
		return arg, nil, false
	}
	return arg[:bytes.LastIndexAny(arg, "=:")], arg[k+1:], true
}

// parts calls f with every part of a name between underscores and the like, digits excluded, until
// f returns false.
func parts(name []byte, f func(part []byte) bool) {
	for len(name) > 0 {
		k := 0
		for k < len(name) && letters(name[k:k+1]) {
			k++
		}
		if k > 0 && !f(name[:k]) {
			return
		}
		name = name[min(k+1, len(name)):]
	}
}

// is reports whether a part is one of the words, which are in capital letters.
func is(part []byte, words ...string) bool {
	for _, w := range words {
		if len(part) == len(w) && contains(part, w) {
			return true
		}
	}
	return false
}

// contains reports whether the text has the word, which is in capital letters, in it.
func contains(text []byte, word string) bool {
	for k := 0; k+len(word) <= len(text); k++ {
		n := 0
		for n < len(word) && text[k+n]&^0x20 == word[n] {
			n++
		}
		if n == len(word) {
			return true
		}
	}
	return false
}

func letters(s []byte) bool {
	for _, c := range s {
		if c |= 0x20; c < 'a' || c > 'z' {
			return false
		}
	}
	return true
}

// heaterIn returns the heater that a name is about; for two, the nozzle, which has the higher
// ceiling.
func heaterIn(name []byte) heater {
	switch {
	case contains(name, "NOZZLE"), contains(name, "EXTRUDER"), contains(name, "HOTEND"), contains(name, "TOOL"):
		return nozzleHeater
	case contains(name, "BED"):
		return bedHeater
	case contains(name, "CHAMBER"):
		return chamberHeater
	}
	return noHeater
}

// notHeat are words in names about heat that are not temperatures.
var notHeat = []string{"TIME", "DURATION", "MINUTES", "SECONDS", "TIMEOUT", "WAIT", "SOAK", "FAN", "SPEED", "POWER", "PWM", "DELAY", "IDLE",
	"SENSOR", "X", "Y", "Z", "E", "F", "MM", "RPM", "POSITION", "POS", "DISTANCE", "HEIGHT", "LENGTH", "COUNT"}

// isHeatCommand reports whether a command's name is about heating.
func isHeatCommand(name []byte) bool {
	hot := false
	parts(name, func(part []byte) bool {
		hot = hot || contains(part, "HEAT") || isTemperaturePart(part) || is(part, "HOTEND", "CHAMBER")
		return true
	})
	return hot && !contains(name, "SOAK") && !hasPart(name, notHeat)
}

// isTemperatureName reports whether an argument's name means a temperature: itself, or as that of a
// heater.
func isTemperatureName(key []byte) bool {
	yes, heaterNamed, other := false, false, false
	parts(key, func(part []byte) bool {
		switch {
		case is(part, notHeat...):
			other = true
		case isTemperaturePart(part), contains(part, "TARGET"), contains(part, "HEAT"), contains(part, "CELSIUS"):
			yes = true
		case is(part, "NOZZLE", "EXTRUDER", "HOTEND", "BED", "CHAMBER", "HOT"):
			heaterNamed = true
		case is(part, "FIRST", "INITIAL", "OTHER", "LAYER", "PRINT", "START", "STANDBY", "ACTIVE", "SET", "TO", "C", "S", "DEG", "VALUE"):
		default:
			heaterNamed, other = false, true
		}
		return true
	})
	if yes {
		return !hasPart(key, notHeat)
	}
	return heaterNamed && !other
}

// isTemperaturePart reports whether a part of a name is TEMP or TEMPERATURE, alone or at the end:
// BEDTEMP.
func isTemperaturePart(part []byte) bool {
	const word, short = "TEMPERATURE", "TEMP"
	n := len(part)
	return is(part[max(0, n-len(word)):], word) || is(part[max(0, n-len(short)):], short) || is(part, "TEMPS", "TEMPERATURES")
}

func hasPart(key []byte, words []string) bool {
	has := false
	parts(key, func(part []byte) bool { has = is(part, words...); return !has })
	return has
}

// isValueKey reports whether an argument of a command about heat is its value: without a name, or
// with a general one.
func isValueKey(key []byte) bool {
	return len(key) == 0 || is(key, "S", "R", "B", "H", "C", "VALUE", "TO", "SET", "DEG", "DEGREES", "FIRST", "INITIAL", "STANDBY", "ACTIVE")
}

// highestNumber returns the highest number that a board may find in a text: decimal, with an
// exponent, or in another base. A text without any digit heats nothing; one that must be computed
// cannot be read.
func highestNumber(s []byte) (c float64, ok bool) {
	if bytes.ContainsAny(s, "{}[]()$") {
		return 0, false
	}
	for k := 0; k < len(s); k++ {
		if s[k] != '.' && (s[k] < '0' || s[k] > '9') {
			continue
		}
		text := string(s[k:min(len(s), k+40)])
		longest := 1
		for end := len(text); end > 0; end-- {
			v, err := strconv.ParseFloat(text[:end], 64)
			if err != nil && !math.IsInf(v, 0) { // a number too large is infinite
				h, err := strconv.ParseUint(text[:end], 0, 32)
				if err != nil {
					continue
				}
				v = float64(h)
			}
			c, longest = max(c, v), max(longest, end)
		}
		k += longest - 1
	}
	return c, true
}
