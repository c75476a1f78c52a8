package rig

import "math"

// mayTouchMM is how close above a standing part the head may pass: plastic stands proud of
// the height at which it was laid.
const mayTouchMM = 0.1

// ownTouchMM is how far below plastic of the part that it makes the head may pass: layers are not all
// alike, and a first layer may be lower than the purge before it.
const ownTouchMM = 0.6

// leftMM above a part the head has left it: what it makes next is another one.
const leftMM = 10

// airMM above the plastic beneath, or bareMM above the bare belt, with none so high beside it, plastic lies
// on nothing and falls (no source).
const (
	airMM  = 8
	bareMM = 1.5
)

// square is a square millimetre of the belt: along it, in belt coordinates, and across.
type square struct{ along, across int32 }

// plastic is what stands on a square: how high, and in which making it was laid.
type plastic struct {
	topMM  float32
	making int32
}

// leave notes that the head has risen from the part that it made.
func (b *beltState) leave(zMM float64) {
	if b.current >= 0 && b.own == b.parts[b.current].ID && zMM > b.parts[b.current].TopMM+leftMM {
		b.own = 0
		b.making++
		b.onOther, b.ranInto = false, false
	}
}

// over calls f for the squares over which the running move goes, between its fraction done and f1, with
// the height of the nozzle, until it returns false. beltMM is the belt coordinate at the fraction done.
func (c *controller) over(m *block, f1, beltMM float64, f func(q square, zMM float64) bool) {
	axis := c.belt.axis()
	n := 1 + int(math.Min(4000, m.length*(f1-m.done)*2)) // each half millimetre
	from, last := m.at(axis, m.done), square{along: math.MinInt32}
	for k := range n + 1 {
		g := m.done + (f1-m.done)*float64(k)/float64(n)
		q := square{int32(math.Round(beltMM + (m.at(axis, g)-from)*m.beltScale)), int32(math.Round(m.at(X, g)))}
		if (q != last || m.delta[Z] != 0) && !f(q, m.at(Z, g)) {
			return
		}
		last = q
	}
}

// laid notes where the running move has laid plastic, between its fraction done and f.
func (c *controller) laid(p *Part, m *block, f, beltMM float64) {
	low, high := m.span(X, f)
	p.XMM = [2]float64{min(p.XMM[0], low), max(p.XMM[1], high)}
	_, top := m.span(Z, f)
	p.TopMM = max(p.TopMM, top)
	if c.belt.axis() != Y {
		return
	}
	b := &c.belt
	c.over(m, f, beltMM, func(q square, zMM float64) bool {
		below := p.heap[q]
		if below.topMM > 0 && below.making != b.making && !b.onOther {
			b.onOther = true
			b.laidOn++
		}
		z, free := float32(zMM), float32(airMM)
		if below.topMM == 0 {
			free = bareMM
		}
		if z > below.topMM+free && !p.besideMM(q, z-free) {
			z = max(below.topMM, mayTouchMM)
		}
		if z >= below.topMM {
			p.heap[q] = plastic{z, b.making}
		}
		return true
	})
}

// besideMM reports whether plastic stands beside a square that is so high at least.
func (p *Part) besideMM(q square, mm float32) bool {
	for along := q.along - 1; along <= q.along+1; along++ {
		for across := q.across - 1; across <= q.across+1; across++ {
			if p.heap[square{along, across}].topMM >= mm {
				return true
			}
		}
	}
	return false
}

// collide notes a head that passes low over plastic: that of a part which it is not making, or well below
// that of the one which it makes. It looks at what the running move does between its fraction done and f.
// Straight up is the way out, and what pushes filament makes a part. It is for belts on Y, where Z is the
// height above the belt.
func (c *controller) collide(m *block, f, beltMM, lowMM, highMM float64) {
	b := &c.belt
	if b.axis() != Y || m.delta[E] > 0 || m.delta[X] == 0 && m.delta[Y] == 0 && m.delta[Z] >= 0 {
		return
	}
	left, right := m.span(X, f)
	z, _ := m.span(Z, f)
	for i := b.open; i < len(b.parts); i++ {
		p := &b.parts[i]
		if p.Dropped || z >= p.TopMM+mayTouchMM || highMM < p.FromMM-1 || lowMM > p.ToMM+1 || right < p.XMM[0]-1 || left > p.XMM[1]+1 {
			continue
		}
		c.over(m, f, beltMM, func(q square, zMM float64) bool {
			in, there := p.heap[q]
			switch {
			case !there:
			case in.making == b.making && !b.ranInto && zMM < float64(in.topMM)-ownTouchMM:
				b.ranInto = true
				c.figures.Collisions++
				c.damaged("the head ran into the part that it made")
			case in.making != b.making && !p.struck && zMM < float64(in.topMM)+mayTouchMM:
				p.struck = true
				c.figures.Collisions++
				c.damaged("the head ran into a part that stood on the belt")
			}
			return true
		})
	}
}
