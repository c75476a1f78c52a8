package gcode

import "strconv"

// ApplyReported applies a line by which a board reports one of its settings, such as "M204 P500.00
// T500.00", and reports whether it was one.
func (s *State) ApplyReported(text string) bool {
	var l Line
	if l.Parse([]byte(text)) != nil || l.Letter != 'M' {
		return false
	}
	if _, lasting := lastingWords[l.Number]; !lasting && s.Setting(l.Number) == nil {
		return false
	}
	e, err := s.Apply([]byte(text))
	return err == nil && e.Kind != KindReport
}

// own adds to the target state the board's own values of settings that the other state has set and
// the target does not know. The belt's steps per millimetre belong to no job.
func (r *restorer) own() {
	if !r.to.NozzlesApart {
		r.to.NozzlesApart = r.s.NozzlesApart
	}
	if r.o.Own == nil {
		return
	}
	for i := range settingWords {
		for b := byte(0); b < 26; b++ {
			letter := 'A' + b
			v, reported := r.o.Own.Settings[i].Get(letter)
			if reported && r.unknown(i, letter) {
				r.to.Settings[i].set(letter, v)
			}
		}
	}
	for _, line := range r.s.Lasting.Added(&r.to.Lasting) {
		for _, own := range r.o.Own.Lasting.Lines() {
			if argumentOf(own) == argumentOf(line) {
				r.to.Lasting.set(own)
			}
		}
	}
}

// unknown reports whether a letter of a setting was set in the present state and not in the one to be reached.
func (r *restorer) unknown(setting int, letter byte) bool {
	switch word := settingWords[setting]; {
	case word == 204 && letter == 'S', // it is P and T at once
		word == 92 && letter == r.o.BeltAxis.Letter():
		return false
	}
	bit := uint32(1) << (letter - 'A')
	return r.s.Settings[setting].Set&^r.to.Settings[setting].Set&bit != 0
}

// Leftovers returns what from has set, to does not know, and the board has not reported: no line
// can restore it, so that parts made in state to are made with it. Each is a command and an
// argument, such as "M900 K".
func Leftovers(from, to State, o RestoreOptions) (list []string) {
	r := restorer{s: from, to: to, o: o}
	r.own()
	for i, word := range settingWords {
		for b := byte(0); b < 26; b++ {
			letter := 'A' + b
			if r.unknown(i, letter) && !(word == 205 && noJerk(o.Own, letter)) {
				list = append(list, "M"+strconv.Itoa(word)+" "+string(rune(letter)))
			}
		}
	}
	for _, line := range r.s.Lasting.Added(&r.to.Lasting) {
		if !isSwitch(line) {
			list = append(list, argumentOf(line))
		}
	}
	return list
}

// noJerk reports whether a letter of M205 is a jerk on a board that uses the deviation at corners
// instead: it has reported that, and ignores jerk (common practice, no source).
func noJerk(own *State, letter byte) bool {
	if own == nil || letter != 'X' && letter != 'Y' && letter != 'Z' && letter != 'E' {
		return false
	}
	j, reported := own.Setting(205).Get('J')
	return reported && j > 0
}
