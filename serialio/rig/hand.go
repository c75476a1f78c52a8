package rig

// ClearBelt is the operator taking every part off the belt by hand, whole or not,
// and laying it into the bin. It returns how many there were. Plastic that is laid
// afterwards begins a new part wherever it lies.
func (r *Rig) ClearBelt() (n int) {
	r.do(func() {
		c := r.ctl
		c.book(c.now)
		b := &c.belt
		b.drop(c.now, &c.bed)
		for i := b.open; i < len(b.parts); i++ {
			if p := &b.parts[i]; !p.Dropped {
				p.Dropped, p.DroppedAt = true, c.now
				b.bin++
				n++
			}
		}
		b.open, b.current = len(b.parts), -1
	})
	return n
}

// Jog is somebody moving an axis at the machine's own panel, by mm; the board knows of it.
// Axes count X, Y, Z from 0.
func (r *Rig) Jog(axis int, mm float64) {
	r.do(func() {
		c := r.ctl
		c.book(c.now)
		c.pos[axis] += mm
		if "XYZ"[axis] == c.set.Belt.Axis {
			c.belt.move(mm, max(mm, -mm), 0)
		}
	})
}
