package belt

// At returns the fitted value at the column values x.
func (f *Fit) At(x ...float64) float64 {
	y := f.Constant
	for k, v := range x {
		y += f.Slope[k] * v
	}
	return y
}

// leverage is the variance of the fitted value at x, relative to that of a residual.
func (f *Fit) leverage(x []float64) float64 {
	d := make([]float64, len(x))
	for k, v := range x {
		d[k] = (v - f.mean[k]) / f.scale[k]
	}
	h := f.form(d)
	if !f.through {
		h += 1 / float64(f.N)
	}
	return h
}

// form is d' (X'X)^-1 d for the scaled columns X = QR: the squared length of d' R^-1.
func (f *Fit) form(d []float64) float64 {
	sum := 0.0
	for j := range d {
		along := 0.0
		for k := 0; k <= j; k++ {
			along += d[k] * f.inverse[k][j]
		}
		sum += along * along
	}
	return sum
}
