package motion

import "math"

// Move is one move as a job has it.
type Move struct {
	// DeltaMM is the net movement of each axis.
	DeltaMM [Axes]float64
	// PathMM is the length of the path in space, or of the filament if nothing else moves. On an
	// arc it is longer than the net movement.
	PathMM float64
	// SpeedMMPerS along the path; 0 means as fast as the axes go.
	SpeedMMPerS float64
	Kind        Kind
	// Arc is nil for a straight move.
	Arc *Arc
}

// Arc is what a curved path adds to a move.
type Arc struct {
	RadiusMM    float64
	Entry, Exit [3]float64 // directions at both ends, of length 1
	Normal      int        // axis perpendicular to the plane of the arc
}

// planned is a move in the look-ahead.
type planned struct {
	lengthMM float64
	accel    float64
	cruise   float64
	corner2  float64 // square of the speed that the corner before it allows
	entry2   float64 // square of the entry speed from which the moves after it can still stop
}

// Planner adds up the times of consecutive moves. It holds no more of them than the board does, and
// allocates nothing. Copies are independent.
type Planner struct {
	limits Limits
	steps  bool // speed steps determine the corners
	ring   [MaxLookAhead]planned
	first  int // oldest in the ring
	n      int
	speed  float64 // at which the oldest begins
	left   uint64  // moves that have left the ring
	totalS float64 // of them, and of stops

	last      [Axes]float64 // direction at the end of the newest move
	lastSpeed float64       // its cruising speed
	moving    bool          // the newest move may run into the next one
}

// NewPlanner returns a planner at rest. The limits must be complete.
func NewPlanner(l Limits) Planner { return Planner{limits: l, steps: l.corners()} }

// SetLimits changes the limits of the moves to come.
func (p *Planner) SetLimits(l Limits) {
	if l.LookAhead != p.limits.LookAhead {
		p.Stop()
	}
	p.limits, p.steps = l, l.corners()
}

// Direction is the direction at the end of the newest move, of length 1 in space; the filament has
// its share relative to the path.
func (p *Planner) Direction() *[Axes]float64 { return &p.last }

// Push adds a move. A move without length takes no time.
func (p *Planner) Push(m *Move) {
	if !(m.PathMM > 0) {
		return
	}
	if p.n == p.limits.LookAhead {
		p.leave()
	}
	q := &p.ring[uint(p.first+p.n)%MaxLookAhead] // filled in place: a copy costs as much as the rest
	q.lengthMM, q.accel, q.cruise = m.PathMM, p.limits.accel(m.Kind), m.SpeedMMPerS
	if q.cruise <= 0 {
		q.cruise = math.Inf(1)
	}
	inverse := 1 / m.PathMM
	u := [Axes]float64{m.DeltaMM[0] * inverse, m.DeltaMM[1] * inverse, m.DeltaMM[2] * inverse, m.DeltaMM[3] * inverse}
	if m.Arc != nil {
		copy(u[:3], m.Arc.Entry[:])
		p.bend(m.Arc, q)
	}
	p.clip(&u, q)
	q.corner2 = p.corner(&u, q)
	if m.Arc != nil {
		copy(u[:3], m.Arc.Exit[:])
	}
	p.last, p.lastSpeed, p.moving = u, q.cruise, true
	p.append(q)
}

// bend lowers speed and acceleration on an arc: both axes of its plane are assumed to reach the
// whole speed somewhere, and the curve itself takes acceleration.
func (p *Planner) bend(arc *Arc, q *planned) {
	l := &p.limits
	for a := range 3 {
		if a != arc.Normal {
			q.cruise = min(q.cruise, l.SpeedMMPerS[a])
			q.accel = min(q.accel, l.AccelMMPerS2[a])
		}
	}
	q.cruise = min(q.cruise, math.Sqrt(q.accel*arc.RadiusMM))
}

// clip lowers speed and acceleration to what each axis allows along u.
func (p *Planner) clip(u *[Axes]float64, q *planned) {
	l := &p.limits
	for a := range u {
		v := math.Abs(u[a])
		if q.cruise*v > l.SpeedMMPerS[a] {
			q.cruise = l.SpeedMMPerS[a] / v
		}
		if q.accel*v > l.AccelMMPerS2[a] {
			q.accel = l.AccelMMPerS2[a] / v
		}
	}
}

// corner returns the square of the speed at which the corner between the newest move
// and one that begins in direction u may be taken.
func (p *Planner) corner(u *[Axes]float64, q *planned) float64 {
	if !p.moving {
		return 0
	}
	most := min(q.cruise, p.lastSpeed)
	if p.steps {
		for a := range Axes {
			if step := math.Abs(u[a]-p.last[a]) * most; step > p.limits.CornerMMPerS[a] {
				most *= p.limits.CornerMMPerS[a] / step
			}
		}
		return most * most
	}
	w := &p.last
	if u[0] == 0 && u[1] == 0 && u[2] == 0 || w[0] == 0 && w[1] == 0 && w[2] == 0 {
		return 0 // filament alone, before or after: there is no corner to cut
	}
	cos := u[0]*w[0] + u[1]*w[1] + u[2]*w[2] // of the turn
	if cos > 0.999999 {
		return most * most
	}
	half := max(0, 1+cos) / 2 // square of the sine of half the angle between both legs
	bend, most2 := q.accel*p.limits.JunctionDeviationMM, most*most
	// On a smooth path the corner does not slow down: bend·sin/(1−sin) ≥ most², said
	// here without root and division.
	if sum := bend + most2; half*sum*sum >= most2*most2 {
		return most2
	}
	sin := math.Sqrt(half)
	return bend * sin / (1 - sin)
}

// append adds q, which is behind the newest move in the ring, and computes from which speeds the
// rest can stop. Before a corner that limits the speed, nothing changes.
func (p *Planner) append(q *planned) {
	p.n++
	q.entry2 = min(q.corner2, 2*q.accel*q.lengthMM)
	if p.n == 1 {
		p.speed = 0
		return
	}
	next := q.entry2
	for k := p.n - 2; k > 0; k-- {
		r := &p.ring[uint(p.first+k)%MaxLookAhead]
		e := min(r.corner2, next+2*r.accel*r.lengthMM)
		if e == r.entry2 {
			return
		}
		r.entry2, next = e, e
	}
}

// leave lets the board run the oldest move, with what it knows of the next ones.
func (p *Planner) leave() {
	q := &p.ring[uint(p.first)%MaxLookAhead]
	exit2 := 0.0
	if p.n > 1 {
		exit2 = p.ring[uint(p.first+1)%MaxLookAhead].entry2
	}
	exit := math.Sqrt(min(exit2, p.speed*p.speed+2*q.accel*q.lengthMM))
	p.totalS += q.timeS(p.speed, exit)
	p.speed = exit
	p.first = int(uint(p.first+1) % MaxLookAhead)
	p.n--
	p.left++
}

// Done returns how many moves with a length are final, in order, and the time at which the newest
// of them ends. It lags by the look-ahead.
func (p *Planner) Done() (moves uint64, seconds float64) { return p.left, p.totalS }

// timeS is the time from one speed to another; see [Trapezoid].
func (q *planned) timeS(entry, exit float64) float64 {
	squares := entry*entry + exit*exit
	triangle2 := q.accel*q.lengthMM + squares/2
	if triangle2 < q.cruise*q.cruise {
		return (2*math.Sqrt(triangle2) - entry - exit) / q.accel
	}
	// The slopes cost time over cruising all the way: (v-v0)²/(2av) each.
	v, a := q.cruise, 2*q.accel
	return (a*q.lengthMM + (v-entry)*(v-entry) + (v-exit)*(v-exit)) / (a * v)
}

// Stop lets the board run all it has and come to rest.
func (p *Planner) Stop() {
	for p.n > 0 {
		p.leave()
	}
	p.speed, p.moving = 0, false
}

// Wait adds a stop of this length.
func (p *Planner) Wait(seconds float64) {
	p.Stop()
	p.totalS += seconds
}

// TotalS is the time until the machine stands still if no more moves come.
func (p *Planner) TotalS() float64 {
	q := *p
	q.Stop()
	return q.totalS
}
