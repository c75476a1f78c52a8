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
	low, high := m.span(X, f)
	p.XMM = [2]float64{min(p.XMM[0], low), max(p.XMM[1], high)}
	_, top := m.span(Z, f)
	p.TopMM = max(p.TopMM, top)
}

// collide notes a head that passes low over a part which it is not making, from what the
// running move does between its fraction done and f. Straight up is the way out, and what
// pushes filament makes a part. It is for belts on Y, where Z is the height above the belt.
func (c *controller) collide(m *block, f, lowMM, highMM float64) {
	if c.belt.axis() != Y || m.delta[E] > 0 || m.delta[X] == 0 && m.delta[Y] == 0 && m.delta[Z] >= 0 {
		return
	}
	left, right := m.span(X, f)
	z, _ := m.span(Z, f)
	for i := c.belt.open; i < len(c.belt.parts); i++ {
		p := &c.belt.parts[i]
		if p.Dropped || p.struck || p.ID == c.belt.own || z >= p.TopMM+mayTouchMM {
			continue
		}
		if highMM < p.FromMM || lowMM > p.ToMM || right < p.XMM[0] || left > p.XMM[1] {
			continue
		}
		p.struck = true
		c.figures.Collisions++
		c.damaged("the head ran into a part that stood on the belt")
	}
}
