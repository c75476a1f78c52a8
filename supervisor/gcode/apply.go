package gcode

import (
	"fmt"
	"math"
)

const mmPerInch = 25.4

// Apply reads one line and advances the state. On error the state is unchanged. Syntax errors are
// of type *[SyntaxError].
func (s *State) Apply(line []byte) (Effect, error) {
	var l Line
	var e Effect
	if err := l.Parse(line); err != nil {
		return Effect{}, err
	}
	err := s.ApplyLine(&l, &e)
	return e, err
}

// ApplyLine is [State.Apply] for a line already parsed without error, with its
// effect written to e.
func (s *State) ApplyLine(l *Line, e *Effect) error {
	if l.plain && l.Number <= 1 && !s.Inches && s.VolumetricMM == 0 {
		s.applyPlain(l, e)
		return nil
	}
	return s.applyLine(l, e)
}

// applyLine is the general case of ApplyLine.
func (s *State) applyLine(l *Line, e *Effect) error {
	*e = Effect{Letter: l.Letter, Number: l.Number, Sub: l.Sub}
	for a, bit := range axisBits {
		if l.seen&bit != 0 {
			e.Named |= 1 << a
		}
	}
	var err error
	switch {
	case l.Letter == 0:
	case l.Sub != 0 || l.Letter == '#':
		e.Kind = KindUnknown
		e.Lost = l.Unseen()
		if l.Letter == '#' && s.applyLasting(l) {
			e.Kind = KindSet
		}
	case l.Letter == 'G':
		err = s.applyG(l, e)
	case l.Letter == 'M':
		err = s.applyM(l, e)
	default:
		e.Kind = KindTool
		s.setTool(l.Number)
	}
	if err != nil {
		*e = Effect{}
		return err
	}
	if e.Lost {
		s.Known[X], s.Known[Y], s.Known[Z] = false, false, false
	}
	return nil
}

func (s *State) applyG(l *Line, e *Effect) error {
	e.Kind = KindSet
	switch l.Number {
	case 0, 1, 2, 3:
		e.Kind = KindMove
		return s.applyMove(l, e)
	case 4:
		e.Kind = KindDwell
		return applyDwell(l, e)
	case 10, 11:
		if l.HeatsTool() {
			return s.applyToolHeat(l, e)
		}
		if l.n > 0 && !(l.n == 1 && l.Has('S')) {
			e.Kind = KindUnknown // tool offsets and the like, which share the word
			return nil
		}
		e.Kind = KindRetract
		s.FirmwareRetracted = l.Number == 10
	case 17, 18, 19:
		s.Plane = Plane(l.Number - 17)
	case 20, 21:
		s.Inches = l.Number == 20
	case 28:
		e.Kind = KindHome
		s.applyHome(e)
	case 90, 91:
		s.Relative = l.Number == 91
		s.ExtruderUnsure = s.Relative != s.RelativeE
	case 92:
		return s.applyG92(l, e)
	case 94: // units per minute, which is the only way here
	default:
		e.Kind = KindUnknown
		e.Lost = movesUnseen(l.Number)
	}
	return nil
}

// movesUnseen lists the G words that move the head, or shift coordinates, by
// amounts that are not in the line.
func movesUnseen(number int) bool {
	switch number {
	case 5, 6, 12, 27, 29, 30, 33, 34, 35, 38, 42, 43, 53, 54, 55, 56, 57, 58, 59, 61, 76, 92, 425:
		return true
	}
	return false
}

// unit is the length of one unit of the words, in mm.
func (s *State) unit() float64 {
	if s.Inches {
		return mmPerInch
	}
	return 1
}

// applyMove applies G0 to G3.
func (s *State) applyMove(l *Line, e *Effect) error {
	unit := s.unit()
	next, feed := s.PositionMM, s.FeedMMPerMin
	known := s.Known
	for i := range l.words[:l.n] {
		w := &l.words[i]
		a, axis := axisOf(w.Letter)
		if !axis && w.Letter != 'F' {
			continue
		}
		if !w.HasValue {
			return &SyntaxError{w.Column, "the word " + string(rune(w.Letter)) + " has no number"}
		}
		v := w.Value
		if s.Inches {
			v = grid(v * unit)
		}
		switch {
		case !axis && v < 0:
			return &SyntaxError{w.Column, "the feed is negative"}
		case !axis && v > 0: // boards ignore F0
			feed = v
		case !axis:
		case a == E && s.RelativeE, a != E && s.Relative:
			next[a] = grid(s.PositionMM[a] + v)
		default:
			next[a] = v
			known[a] = true
		}
	}
	for a := range next {
		lo, hi := s.PositionMM[a], next[a]
		e.delta[a] = grid(hi - lo)
		e.travel[a] = math.Abs(e.delta[a])
		e.MinMM[a], e.MaxMM[a] = min(lo, hi), max(lo, hi)
	}
	if d := s.VolumetricMM; d > 0 {
		e.delta[E] = grid(e.delta[E] / (math.Pi / 4 * d * d))
		e.travel[E] = math.Abs(e.delta[E])
	}
	e.PathMM = e.straightMM()
	if l.Number >= 2 {
		if err := s.applyArc(l, e, next); err != nil {
			return err
		}
	}
	s.PositionMM, s.Known, s.FeedMMPerMin = next, known, feed
	s.Motion = MotionRapid + Motion(l.Number)
	e.finish(s)
	return nil
}

func applyDwell(l *Line, e *Effect) error {
	var v float64
	if p, ok := l.Get('P'); ok {
		v = p / 1000
	}
	if p, ok := l.Get('S'); ok { // S wins over P where both are given
		v = p
	}
	if v < 0 {
		return fmt.Errorf("cannot wait %g s: the time of a dwell is negative", v)
	}
	e.Duration = seconds(v)
	return nil
}

// applyHome applies G28. The end stops are assumed to be at coordinate 0; how far the axes move to
// get there is unknown, so no movement is reported.
func (s *State) applyHome(e *Effect) {
	if e.Named&(1<<X|1<<Y|1<<Z) == 0 {
		e.Named |= 1<<X | 1<<Y | 1<<Z
	}
	for a := X; a <= Z; a++ {
		if e.Names(a) {
			s.PositionMM[a], s.OffsetMM[a] = 0, 0
			s.Known[a], s.Homed[a] = true, true
		}
	}
}

// applyG92 gives the current point new coordinates. Without an axis word all
// become zero, as boards do; NISTIR 6556 would call that an error.
func (s *State) applyG92(l *Line, e *Effect) error {
	unit := s.unit()
	next := s.PositionMM
	if e.Named == 0 {
		e.Named = 1<<AxisCount - 1
		next = [AxisCount]float64{}
	}
	for i := range l.words[:l.n] {
		w := &l.words[i]
		a, axis := axisOf(w.Letter)
		if !axis {
			continue
		}
		if !w.HasValue {
			return &SyntaxError{w.Column, "the word " + string(rune(w.Letter)) + " has no number"}
		}
		next[a] = grid(w.Value * unit)
	}
	for a := X; a <= E; a++ {
		if !e.Names(a) {
			continue
		}
		if a != E {
			s.OffsetMM[a] = grid(s.OffsetMM[a] + s.PositionMM[a] - next[a])
		}
		s.PositionMM[a], s.Known[a] = next[a], true
	}
	return nil
}
