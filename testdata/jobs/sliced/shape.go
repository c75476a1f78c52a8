package sliced

import "math"

// beadMM is filament per path of a line 0.4 mm wide and 0.2 mm high; thickMM of a purge, 15 mm over 180 mm.
const (
	beadMM  = 0.033
	thickMM = 0.083
)

// block is a clip or a peg, seen from above a rectangle.
type block struct {
	x, y, w, d float64
	layers     int
	round      bool // its corners are arcs
}

// loop draws the outline, d outside it.
func (p *pen) loop(b block, d float64) {
	x0, y0, x1, y1 := round(b.x-d, 3), round(b.y-d, 3), round(b.x+b.w+d, 3), round(b.y+b.d+d, 3)
	if !b.round || !p.arcs || b.w+2*d < 5 || b.d+2*d < 5 {
		p.away(x0, y0)
		p.draw(x1, y0, beadMM)
		p.draw(x1, y1, beadMM)
		p.draw(x0, y1, beadMM)
		p.draw(x0, y0, beadMM)
		return
	}
	const r = 2
	p.away(x0+r, y0)
	p.draw(x1-r, y0, beadMM)
	p.corner(r, 1, 0, beadMM)
	p.draw(x1, y1-r, beadMM)
	p.corner(r, 0, 1, beadMM)
	p.draw(x0+r, y1, beadMM)
	p.corner(r, -1, 0, beadMM)
	p.draw(x0, y0+r, beadMM)
	p.corner(r, 0, -1, beadMM)
}

// fill draws lines to and fro.
func (p *pen) fill(b block, stepMM, mmPerMM float64) {
	x0, x1 := b.x+0.6, b.x+b.w-0.6
	p.away(x0, b.y+0.6)
	for k := 0; ; k++ {
		y := b.y + 0.6 + float64(k)*stepMM
		if y > b.y+b.d-0.6 {
			return
		}
		if k > 0 {
			p.draw(p.x, y, mmPerMM)
		}
		if k%2 == 0 {
			p.draw(x1, y, mmPerMM)
		} else {
			p.draw(x0, y, mmPerMM)
		}
	}
}

// slice draws one layer of a block.
func (p *pen) slice(b block, fillMM float64) {
	p.kind("WALL")
	p.loop(b, 0)
	p.loop(b, -0.4)
	if fillMM > 0 {
		p.kind("FILL")
		p.fill(b, fillMM, beadMM)
	}
}

// enclosing is the smallest block around some.
func enclosing(list []block) block {
	a := list[0]
	for _, b := range list[1:] {
		x1, y1 := max(a.x+a.w, b.x+b.w), max(a.y+a.d, b.y+b.d)
		a.x, a.y = min(a.x, b.x), min(a.y, b.y)
		a.w, a.d = x1-a.x, y1-a.y
	}
	a.round = false
	return a
}

// vase draws walls that rise all the way round.
func (p *pen) vase(b block, z float64, turns int) {
	const sides = 24
	cx, cy, r := b.x+b.w/2, b.y+b.d/2, min(b.w, b.d)/2
	p.kind("WALL")
	p.away(cx+r, cy)
	for k := 1; k <= turns*sides; k++ {
		a := 2 * math.Pi * float64(k) / sides
		p.spiral(cx+r*math.Cos(a), cy+r*math.Sin(a), z+0.2*float64(k)/sides, beadMM)
	}
}
