package rig

// mayTouchMM is how close above a standing part the head may pass: plastic stands proud of
// the height at which it was laid.
const mayTouchMM = 0.1

// leftMM above a part the head has left it: what it makes next is another one.
const leftMM = 10

// leave notes that the head has risen from the part that it made.
func (b *beltState) leave(zMM float64) {
	if b.current >= 0 && b.own == b.parts[b.current].ID && zMM > b.parts[b.current].TopMM+leftMM {
		b.own = 0
	}
}

// laid takes in where the running move has laid plastic, between its fraction done and f.
func (p *Part) laid(m *block, f float64) {
	for _, f := range []float64{m.done, f} {
		x, z := m.from[X]+m.delta[X]*f, m.from[Z]+m.delta[Z]*f
		if p.XMM == [2]float64{} {
			p.XMM = [2]float64{x, x}
		}
		p.XMM = [2]float64{min(p.XMM[0], x), max(p.XMM[1], x)}
		p.TopMM = max(p.TopMM, z)
	}
}

// collide notes a head that passes low over a part which it is not making, from what the
// running move does between its fraction done and f. Straight up is the way out, and what
// pushes filament makes a part. It is for belts on Y, where Z is the height above the belt.
func (c *controller) collide(m *block, f, lowMM, highMM float64) {
	if c.belt.axis() != Y || m.delta[E] > 0 || m.delta[X] == 0 && m.delta[Y] == 0 && m.delta[Z] >= 0 {
		return
	}
	at := func(axis int, f float64) float64 { return m.from[axis] + m.delta[axis]*f }
	z := min(at(Z, m.done), at(Z, f))
	x0, x1 := at(X, m.done), at(X, f)
	if m.arc != nil && (m.arc.p == X || m.arc.q == X) {
		_, _, low, high := m.arc.swept(X, m.done, f)
		x0, x1 = x0+low, x0+high
	}
	for i := c.belt.open; i < len(c.belt.parts); i++ {
		p := &c.belt.parts[i]
		if p.Dropped || p.struck || p.ID == c.belt.own || z >= p.TopMM+mayTouchMM {
			continue
		}
		if highMM < p.FromMM || lowMM > p.ToMM || max(x0, x1) < p.XMM[0] || min(x0, x1) > p.XMM[1] {
			continue
		}
		p.struck = true
		c.figures.Collisions++
		c.damaged("the head ran into a part that stood on the belt")
	}
}
