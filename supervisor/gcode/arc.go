package gcode

import (
	"fmt"
	"math"
)

// ArcToleranceMM is how far the radii at both ends of an arc may differ.
// NISTIR 6556 (3.5.3.2) allows 0.002 mm; coordinates written with three decimals
// alone can differ by 0.0021 mm, so a little more is allowed here.
const ArcToleranceMM = 0.005

// arcPlane lists first axis, second axis, normal axis and the words of the
// centre, in the order in which a turn from first to second is counter-clockwise
// seen from the positive end of the normal (NISTIR 6556, 3.5.3).
type arcPlane struct {
	first, second, normal Axis
	wordFirst, wordSecond byte
}

var arcPlanes = [...]arcPlane{
	PlaneXY: {X, Y, Z, 'I', 'J'},
	PlaneXZ: {Z, X, Y, 'K', 'I'},
	PlaneYZ: {Y, Z, X, 'J', 'K'},
}

// applyArc completes the effect of G2 or G3 to the point next: travel and extent
// in the plane, and the length of the path.
func (s *State) applyArc(l *Line, e *Effect, next [AxisCount]float64) error {
	p := &arcPlanes[s.Plane]
	turns, several := l.Get('P')
	several = several || l.Has('P')
	onTheSpot := e.delta[p.first] == 0 && e.delta[p.second] == 0
	if several && !(onTheSpot && turns >= 1 && turns <= 100 && turns == math.Trunc(turns)) {
		return fmt.Errorf("cannot follow an arc of several turns to another place: boards count P differently; write each turn as a line")
	}
	clockwise := l.Number == 2
	ca, cb, err := s.centre(l, p, next, clockwise)
	if err != nil {
		return err
	}
	a0, b0 := s.PositionMM[p.first]-ca, s.PositionMM[p.second]-cb
	a1, b1 := next[p.first]-ca, next[p.second]-cb
	r := math.Hypot(a0, b0)
	start := math.Atan2(b0, a0)
	sweep := math.Atan2(a0*b1-b0*a1, a0*a1+b0*b1)
	if onTheSpot {
		sweep = 2 * math.Pi * max(1, turns) // an end point equal to the start is a full circle
	} else if clockwise {
		sweep = -sweep
	}
	if sweep <= 0 {
		sweep += 2 * math.Pi
	}
	if clockwise {
		e.turn(p.first, s, next, ca, r, start-sweep, start, 0)
		e.turn(p.second, s, next, cb, r, start-sweep, start, math.Pi/2)
	} else {
		e.turn(p.first, s, next, ca, r, start, start+sweep, 0)
		e.turn(p.second, s, next, cb, r, start, start+sweep, math.Pi/2)
	}
	e.PathMM = math.Hypot(r*sweep, e.delta[p.normal])
	e.bend(p, clockwise, r, start, sweep)
	return nil
}

// bend notes radius and directions of an arc: at right angles to the radius, with its
// share along the normal on a helix.
func (e *Effect) bend(p *arcPlane, clockwise bool, r, start, sweep float64) {
	turn := 1.0
	if clockwise {
		turn, sweep = -1, -sweep
	}
	flat := r * math.Abs(sweep) / e.PathMM
	tangent := func(u *[3]float64, at float64) {
		sin, cos := math.Sincos(at)
		u[p.first], u[p.second], u[p.normal] = -turn*flat*sin, turn*flat*cos, e.delta[p.normal]/e.PathMM
	}
	tangent(&e.Entry, start)
	tangent(&e.Exit, start+sweep)
	e.RadiusMM = r
}

// turn adds up one axis over the angles from..to (from below to): it runs
// monotonely between its extremes, which lie at phase + k*pi.
func (e *Effect) turn(a Axis, s *State, next [AxisCount]float64, centre, r, from, to, phase float64) {
	const eps = 1e-9 // rad; an extreme this close to an end is the end
	begin, end := s.PositionMM[a], next[a]
	if e.Number == 2 {
		begin, end = end, begin // angles rise from the end of a clockwise arc
	}
	travel, last := 0.0, begin
	k := math.Floor((from-phase+eps)/math.Pi) + 1
	for ; phase+k*math.Pi < to-eps; k++ {
		v := centre + r
		if int64(k)&1 != 0 {
			v = centre - r
		}
		travel += math.Abs(v - last)
		last = v
		e.MinMM[a], e.MaxMM[a] = math.Min(e.MinMM[a], v), math.Max(e.MaxMM[a], v)
	}
	e.travel[a] = travel + math.Abs(end-last)
}

// centre returns the centre of an arc in the axes of its plane.
func (s *State) centre(l *Line, p *arcPlane, next [AxisCount]float64, clockwise bool) (ca, cb float64, err error) {
	unit := s.unit()
	a0, b0 := s.PositionMM[p.first], s.PositionMM[p.second]
	da, db := next[p.first]-a0, next[p.second]-b0
	i, hasI := l.Get(p.wordFirst)
	j, hasJ := l.Get(p.wordSecond)
	radius, hasR := l.Get('R')
	switch {
	case hasR && (hasI || hasJ):
		return 0, 0, fmt.Errorf("cannot follow the arc: it has both a radius R and a centre %c or %c", p.wordFirst, p.wordSecond)
	case hasR:
		return s.radiusCentre(p, da, db, radius*unit, clockwise)
	case !hasI && !hasJ:
		return 0, 0, fmt.Errorf("cannot follow the arc: it has neither a radius R nor a centre %c or %c", p.wordFirst, p.wordSecond)
	}
	i, j = grid(i*unit), grid(j*unit)
	start, end := math.Hypot(i, j), math.Hypot(da-i, db-j)
	if start == 0 {
		return 0, 0, fmt.Errorf("cannot follow the arc: its radius is zero")
	}
	if math.Abs(start-end) > ArcToleranceMM {
		return 0, 0, fmt.Errorf("cannot follow the arc: its radius is %.4f mm at the start and %.4f mm at the end; check I, J and K, or have the slicer write straight moves", start, end)
	}
	return a0 + i, b0 + j, nil
}

// radiusCentre finds the centre from R: above zero for a turn of at most 180
// degrees, below for more (NISTIR 6556, 3.5.3.1).
func (s *State) radiusCentre(p *arcPlane, da, db, radius float64, clockwise bool) (ca, cb float64, err error) {
	chord := math.Hypot(da, db)
	if chord == 0 {
		return 0, 0, fmt.Errorf("cannot follow the arc: with a radius R the end must differ from the start")
	}
	r := math.Abs(radius)
	height := r*r - chord*chord/4
	if height < 0 {
		if chord/2-r > ArcToleranceMM {
			return 0, 0, fmt.Errorf("cannot follow the arc: a radius of %.4f mm does not reach over %.4f mm", r, chord)
		}
		height = 0
	}
	h := math.Sqrt(height) / chord
	// A counter-clockwise turn of at most 180 degrees has its centre on the left.
	if clockwise != (radius < 0) {
		h = -h
	}
	return s.PositionMM[p.first] + da/2 - db*h, s.PositionMM[p.second] + db/2 + da*h, nil
}
