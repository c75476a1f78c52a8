package gcode

import "fmt"

// applyM applies M commands.
func (s *State) applyM(l *Line, e *Effect) error {
	e.Kind = KindSet
	switch l.Number {
	case 18, 84:
		e.Kind = KindMotorsOff
		if l.Has('S') {
			e.Kind = KindSet // only the idle time after which motors go off
			return nil
		}
		s.motorsOff(e)
	case 82, 83:
		s.RelativeE, s.ExtruderUnsure = l.Number == 83, false
	case 104, 109, 140, 190:
		e.Kind = KindTemperature
		return s.applyTemperature(l, e)
	case 106, 107:
		return s.applyFan(l, e)
	case 200:
		return s.applyVolumes(l, e)
	case 220, 221:
		return s.applyFactor(l, e)
	case 400:
		e.Kind = KindWait
	case 808:
		e.Kind = KindRepeat
		e.Value, e.HasValue = l.Get('L')
	case 31, 73, 105, 114, 115, 117, 118, 119, 300, 503:
		e.Kind = KindReport
	default:
		if p := s.Setting(l.Number); p != nil {
			s.applySetting(l, e, p)
			return nil
		}
		if l.HeatsTool() {
			return s.applyToolHeat(l, e)
		}
		if !s.applyLasting(l) || l.Number == 141 || l.Number == 191 {
			e.Kind = KindUnknown
		}
	}
	return nil
}

// motorsOff forgets the position of the named axes, or of all if none is named: an axis without
// current can be pushed, and a belt creeps.
func (s *State) motorsOff(e *Effect) {
	if e.Named == 0 {
		e.Named = 1<<AxisCount - 1
	}
	for a := X; a <= Z; a++ {
		if e.Names(a) {
			s.Known[a], s.Homed[a] = false, false
		}
	}
}

// applyTemperature applies M104, M109, M140 and M190. S is the usual word; R waits for cooling too.
func (s *State) applyTemperature(l *Line, e *Effect) error {
	e.Value, e.HasValue = l.Get('S')
	if !e.HasValue {
		e.Value, e.HasValue = l.Get('R')
	}
	if !e.HasValue {
		return nil // waits for, or sets, what is already commanded
	}
	if err := notNegative(e.Value); err != nil {
		return err
	}
	if l.Number == 140 || l.Number == 190 {
		s.BedTargetC = e.Value
		return nil
	}
	s.heatNozzle(l, 'T', e.Value)
	return nil
}

// HeatsTool reports whether a line is G10 or M568 with the target S of a tool P, or of the one in
// use. G10 means other things too.
func (l *Line) HeatsTool() bool {
	return l.Has('S') && (l.Is('M', 568) || l.Is('G', 10) && !l.Has('L') && (l.Has('P') || l.Has('R')))
}

// applyToolHeat applies a line that [Line.HeatsTool]. R is the standby target while another tool is
// in use, which boards apply on their own.
func (s *State) applyToolHeat(l *Line, e *Effect) error {
	e.Kind = KindTemperature
	if e.Value, e.HasValue = l.Get('S'); !e.HasValue {
		return nil
	}
	if err := notNegative(e.Value); err != nil {
		return err
	}
	s.heatNozzle(l, 'P', e.Value)
	return nil
}

// heatNozzle sets the target of the nozzle of the tool that a letter names, or of the one in use.
func (s *State) heatNozzle(l *Line, letter byte, c float64) {
	tool := s.Tool
	if t, ok := l.Get(letter); ok {
		tool = int(t)
	}
	s.setNozzle(tool, c)
}

func notNegative(c float64) error {
	if c < 0 {
		return fmt.Errorf("cannot heat to %g: the temperature is negative", c)
	}
	return nil
}

// applyFan applies M106 and M107 for the part fan, which is number 0.
func (s *State) applyFan(l *Line, e *Effect) error {
	if p, ok := l.Get('P'); ok && p != 0 {
		s.applyLasting(l)
		return nil
	}
	e.Value, e.HasValue = l.Get('S')
	duty := e.Value
	switch {
	case l.Number == 107:
		duty = 0
	case !e.HasValue:
		duty = 255
	}
	if duty < 0 {
		return fmt.Errorf("cannot set the fan to %g: the duty is negative", duty)
	}
	s.FanS, s.FanKnown = duty, true
	return nil
}

// applyVolumes applies M200: with a diameter, E words are volumes of filament from here on.
func (s *State) applyVolumes(l *Line, e *Effect) error {
	d, ok := l.Get('D')
	if !ok || d < 0 || l.Has('S') || l.Has('L') {
		return fmt.Errorf("cannot follow M200 without a diameter D alone: the board keeps the rest")
	}
	if t, ok := l.Get('T'); !ok || int(t) == s.Tool {
		s.VolumetricMM = d * s.unit()
	}
	e.Value, e.HasValue = d, true
	return nil
}

// applyFactor applies M220 and M221.
func (s *State) applyFactor(l *Line, e *Effect) error {
	v, ok := l.Get('S')
	if !ok {
		e.Kind = KindReport
		if l.n > 0 {
			e.Kind = KindUnknown // keeps the factor, or brings it back, inside the board
		}
		return nil
	}
	if v <= 0 {
		return fmt.Errorf("cannot set a factor of %g %%: it is not above zero", v)
	}
	e.Value, e.HasValue = v, true
	if l.Number == 220 {
		s.FeedPercent = v
		return nil
	}
	if t, ok := l.Get('T'); !ok || int(t) == s.Tool {
		s.FlowPercent = v
	}
	return nil
}

// applySetting keeps the parameters of a sticky machine setting.
func (s *State) applySetting(l *Line, e *Effect, p *Parameters) {
	if l.n == 0 {
		e.Kind = KindReport
		return
	}
	for _, w := range l.Words() {
		if !w.HasValue {
			continue
		}
		v := w.Value
		if s.Inches && isLength(l.Number, w.Letter) {
			v = grid(v * mmPerInch)
		}
		p.set(w.Letter, v)
		if l.Number != 204 {
			continue
		}
		switch w.Letter { // S is the older spelling of P and T at once
		case 'S':
			p.set('P', v)
			p.set('T', v)
		case 'P', 'T':
			p.set('S', 0)
			p.Set &^= 1 << ('S' - 'A')
		}
	}
}

// isLength reports whether a parameter is a length, a speed or an acceleration,
// and so written in the units in force. Steps per unit (M92) stay as written.
func isLength(word int, letter byte) bool {
	switch word {
	case 201, 203:
		return letter != 'T'
	case 204:
		return letter != 'B'
	case 205:
		return letter != 'B'
	case 207, 208:
		return true
	}
	return false
}
