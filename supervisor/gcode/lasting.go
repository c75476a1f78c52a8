package gcode

import (
	"bytes"
	"slices"
	"strconv"
	"strings"
)

// Lasting are arguments that stay in force on the board after their line and that nothing here
// interprets: pressure advance, input shaping, a second fan, a chamber, limits set by a named
// command. Each is kept as the line that sets it alone, such as "M572 D0 S0.03"; two values of one
// argument have the same line except for the number at its end. Values are compared with ==.
type Lasting struct {
	lines string // in order, each ended by a line feed
}

// maxLastingBytes bounds what is kept of a file with endless such commands.
const maxLastingBytes = 4096

// Lines returns the lines that set the arguments, in order.
func (s *Lasting) Lines() []string {
	if s.lines == "" {
		return nil
	}
	return strings.Split(strings.TrimSuffix(s.lines, "\n"), "\n")
}

// Missing returns the lines of s whose arguments have another value in t, or none.
func (s *Lasting) Missing(t *Lasting) []string {
	if s.lines == t.lines {
		return nil
	}
	have := t.Lines()
	return slices.DeleteFunc(s.Lines(), func(line string) bool { return slices.Contains(have, line) })
}

// back returns the lines that bring the arguments from s to t. Fans and a chamber that t does not
// have are switched off, as they are on a board that has just started; other arguments stay.
func (s *Lasting) back(t *Lasting) []string {
	lines := t.Missing(s)
	for _, line := range s.Added(t) {
		if isSwitch(line) && !isOff(line) {
			lines = append(lines, argumentOf(line)+"0")
		}
	}
	return lines
}

// FansOff returns the lines that switch off the fans that are on.
func (s *Lasting) FansOff() []string {
	return slices.DeleteFunc(s.back(&Lasting{}), func(line string) bool { return !isFan(line) })
}

// isSwitch reports whether an argument has a value on a board that has just started: off.
func isSwitch(line string) bool { return isFan(line) || strings.HasPrefix(line, "M141 S") }

func isFan(line string) bool {
	return strings.HasPrefix(line, "M106 P") && strings.HasSuffix(argumentOf(line), " S")
}

func isOff(line string) bool {
	v, err := strconv.ParseFloat(line[numberFrom(line):], 64)
	return err == nil && v == 0
}

// Added returns the lines of s whose arguments t does not have at all, second fans among them.
func (s *Lasting) Added(t *Lasting) []string {
	if s.lines == t.lines {
		return nil
	}
	var have []string
	for _, line := range t.Lines() {
		have = append(have, argumentOf(line))
	}
	return slices.DeleteFunc(s.Lines(), func(line string) bool { return slices.Contains(have, argumentOf(line)) })
}

// argumentOf is a line without the number at its end.
func argumentOf(line string) string { return line[:numberFrom(line)] }

func numberFrom(line string) int {
	k := len(line)
	for k > 0 && (line[k-1] >= '0' && line[k-1] <= '9' || line[k-1] == '.' || line[k-1] == '-' || line[k-1] == '+') {
		k--
	}
	if k > 0 && line[k-1] == '"' { // a text
		k = strings.IndexByte(line, '"')
	}
	return k
}

// set keeps one argument.
func (s *Lasting) set(line string) {
	lines := s.Lines()
	k := slices.IndexFunc(lines, func(l string) bool { return argumentOf(l) == argumentOf(line) })
	switch {
	case k >= 0 && lines[k] == line:
		return
	case k >= 0:
		lines[k] = line
	case len(s.lines)+len(line) >= maxLastingBytes:
		return
	default:
		lines = append(lines, line)
		slices.Sort(lines)
	}
	s.lines = strings.Join(lines, "\n") + "\n"
}

// lastingWords are M words of which each argument stays in force, with the letters that choose what
// they act on: a drive, a fan, an axis.
var lastingWords = map[int]string{106: "P", 141: "P", 566: "", 572: "D", 593: "", 906: "TI"}

// applyLasting keeps the arguments of a word whose arguments stay in force, and reports whether it
// is one.
func (s *State) applyLasting(l *Line) bool {
	if l.Letter == '#' {
		return s.applyNamed(l.Text())
	}
	number := l.Number
	switch number {
	case 107: // M106 S0
		number = 106
	case 191: // M141, and wait
		number = 141
	}
	choose, ok := lastingWords[number]
	if l.Letter != 'M' || !ok {
		return false
	}
	head := "M" + strconv.Itoa(number)
	for k, w := range l.Words() {
		if text, _ := l.Source(k); len(text) == 0 || strings.IndexByte(choose, w.Letter) >= 0 {
			head += " " + string(rune(w.Letter)) + string(text)
		}
	}
	if l.Number == 107 {
		s.Lasting.set(head + " S0")
		return true
	} else if number == 106 && !l.Has('S') && l.n == 1 {
		s.Lasting.set(head + " S255")
	}
	for k, w := range l.Words() {
		text, _ := l.Source(k)
		if len(text) == 0 || strings.IndexByte(choose, w.Letter) >= 0 {
			continue
		}
		value := string(text)
		if w.HasValue && s.Inches && number == 566 && w.Letter != 'P' {
			value = number64(grid(w.Value * mmPerInch))
		}
		letter := w.Letter
		if number == 141 && letter == 'R' { // waits for cooling too
			letter = 'S'
		}
		s.Lasting.set(head + " " + string(rune(letter)) + value)
	}
	return true
}

func number64(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// notLasting are parts of names of commands that have no lasting effect, or that are about heat and
// position, which are judged elsewhere.
var notLasting = []string{"HEAT", "TEMP", "POSITION", "OFFSET", "ORIGIN", "INFO", "STATS", "TEXT", "STATE", "STEPPER", "PIN"}

// applyNamed keeps the numbers that a named command sets: one that begins with SET_. An argument
// that is no number, or that names a thing, selects what it acts on.
func (s *State) applyNamed(text []byte) bool {
	if len(text) < 5 || !bytes.EqualFold(text[:4], []byte("SET_")) {
		return false
	}
	fields := bytes.Fields(text)
	head := strings.ToUpper(string(fields[0]))
	for _, part := range notLasting {
		if strings.Contains(head, part) {
			return false
		}
	}
	var values []string
	for _, f := range fields[1:] {
		key, value, ok := strings.Cut(string(f), "=")
		key = strings.ToUpper(key)
		switch _, err := strconv.ParseFloat(value, 64); {
		case !ok:
			return false // an unknown form
		case err != nil || chooses(key):
			head += " " + key + "=" + value
		default:
			values = append(values, key+"="+value)
		}
	}
	for _, v := range values {
		s.Lasting.set(head + " " + v)
	}
	return len(values) > 0
}

// chooses reports whether an argument names a thing, even by a number.
func chooses(key string) bool {
	switch key {
	case "EXTRUDER", "TOOL", "FAN", "INDEX", "NAME", "ID", "AXIS", "LED", "MACRO", "VARIABLE", "SENSOR":
		return true
	}
	return false
}
