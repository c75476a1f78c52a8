package rig

import "math"

// arc is a circular move in the plane of axes p and q, with the third axis linear.
type arc struct {
	p, q   int
	centre [2]float64
	radius float64
	begin  float64 // rad
	sweep  float64 // rad, positive counter-clockwise
}

// newArc returns the arc from a position to an end, by centre offsets or by radius
// (hasR). It reports false when no such circle exists.
func newArc(plane int, from, to [4]float64, off [2]float64, r float64, hasR, clockwise bool) (*arc, bool) {
	a := &arc{p: X, q: Y}
	switch plane {
	case 18:
		a.p, a.q = Z, X
	case 19:
		a.p, a.q = Y, Z
	}
	dp, dq := to[a.p]-from[a.p], to[a.q]-from[a.q]
	if hasR {
		d := math.Hypot(dp, dq)
		h2 := r*r - d*d/4
		if d == 0 || h2 < -1e-6 {
			return nil, false
		}
		h := math.Sqrt(max(0, h2))
		// The centre lies left of the chord for a short counter-clockwise arc.
		if clockwise != (r < 0) {
			h = -h
		}
		off[0], off[1] = dp/2-h*dq/d, dq/2+h*dp/d
	}
	a.centre = [2]float64{from[a.p] + off[0], from[a.q] + off[1]}
	a.radius = math.Hypot(off[0], off[1])
	if a.radius == 0 {
		return nil, false
	}
	a.begin = math.Atan2(-off[1], -off[0])
	end := math.Atan2(to[a.q]-a.centre[1], to[a.p]-a.centre[0])
	a.sweep = math.Mod(end-a.begin, 2*math.Pi)
	if clockwise && a.sweep >= -1e-9 {
		a.sweep -= 2 * math.Pi
	} else if !clockwise && a.sweep <= 1e-9 {
		a.sweep += 2 * math.Pi
	}
	return a, true
}

// tangent returns the unit direction at a fraction of the arc, in X, Y, Z.
func (a *arc) tangent(f, axialPerMM float64) [3]float64 {
	angle := a.begin + f*a.sweep
	s := math.Copysign(1, a.sweep)
	var t [3]float64
	t[a.p], t[a.q] = -s*math.Sin(angle), s*math.Cos(angle)
	t[3-a.p-a.q] = axialPerMM
	n := math.Sqrt(1 + axialPerMM*axialPerMM)
	for i := range t {
		t[i] /= n
	}
	return t
}

// swept returns net and absolute movement of an axis between two fractions of the
// arc, exactly: the turning points are taken one by one. It also returns the lowest
// and highest value reached, relative to the value at the first fraction.
func (a *arc) swept(axis int, f0, f1 float64) (net, travel, low, high float64) {
	phase := 0.0 // the axis moves as radius * cos(angle - phase)
	if axis == a.q {
		phase = math.Pi / 2
	}
	at := func(angle float64) float64 { return a.radius * math.Cos(angle-phase) }
	g0, g1 := a.begin+f0*a.sweep, a.begin+f1*a.sweep
	first := at(g0)
	last := first
	visit := func(v float64) {
		travel += math.Abs(v - last)
		last = v
		low, high = min(low, v-first), max(high, v-first)
	}
	lo, hi := min(g0, g1), max(g0, g1)
	k0, k1 := math.Floor((lo-phase)/math.Pi)+1, math.Ceil((hi-phase)/math.Pi)-1
	for k := k0; k <= k1; k++ {
		turn := k
		if g1 < g0 {
			turn = k1 - (k - k0)
		}
		visit(at(turn*math.Pi + phase))
	}
	visit(at(g1))
	return last - first, travel, low, high
}

// on reports whether an axis follows the circle of the move.
func (b *block) on(axis int) bool {
	return b.arc != nil && (axis == b.arc.p || axis == b.arc.q)
}

// swept is arc.swept for any axis of any move, from its fraction done to f.
func (b *block) swept(axis int, f float64) (net, travel, low, high float64) {
	if b.on(axis) {
		return b.arc.swept(axis, b.done, f)
	}
	net = b.delta[axis] * (f - b.done)
	return net, max(net, -net), min(net, 0), max(net, 0)
}

// at returns the logical position of an axis, mm, at a fraction of the move.
func (b *block) at(axis int, f float64) float64 {
	if b.on(axis) {
		net, _, _, _ := b.arc.swept(axis, 0, f)
		return b.from[axis] + net
	}
	return b.from[axis] + b.delta[axis]*f
}

// span returns the lowest and highest position of an axis, mm, from the fraction done to f.
func (b *block) span(axis int, f float64) (low, high float64) {
	_, _, low, high = b.swept(axis, f)
	at := b.at(axis, b.done)
	return at + low, at + high
}
