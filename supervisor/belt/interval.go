package belt

import (
	"math"

	"beltwarden/supervisor/distribution"
)

// At returns the fitted value at the column values x.
func (f *Fit) At(x ...float64) float64 {
	y := f.Constant
	for k, v := range x {
		y += f.Slope[k] * v
	}
	return y
}

// MeanInterval returns the two-sided interval of the fitted value at x, and
// PredictionInterval that of one new reading there, both by Student's t with DF
// degrees of freedom (NIST/SEMATECH e-Handbook 4.5.1). With DF 0 they are infinite.
func (f *Fit) MeanInterval(confidence float64, x ...float64) (low, high float64) {
	return f.interval(confidence, f.leverage(x), x)
}

// PredictionInterval: see MeanInterval.
func (f *Fit) PredictionInterval(confidence float64, x ...float64) (low, high float64) {
	return f.interval(confidence, 1+f.leverage(x), x)
}

// SlopeInterval returns the two-sided interval of the slope of column k.
func (f *Fit) SlopeInterval(confidence float64, k int) (low, high float64) {
	half := f.quantile(confidence) * f.SlopeSE[k]
	return f.Slope[k] - half, f.Slope[k] + half
}

func (f *Fit) interval(confidence, variance float64, x []float64) (low, high float64) {
	half := f.quantile(confidence)
	if f.DF > 0 {
		half *= f.ResidualSD * math.Sqrt(variance)
	}
	y := f.At(x...)
	return y - half, y + half
}

func (f *Fit) quantile(confidence float64) float64 {
	if f.DF == 0 {
		return math.Inf(1)
	}
	return distribution.StudentQuantile(0.5+confidence/2, float64(f.DF))
}

// leverage is the variance of the fitted value at x, as a share of the residual's.
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

// combinedSE is the standard error of the sum of the slopes times per.
func (f *Fit) combinedSE(per []float64) float64 {
	d := make([]float64, len(per))
	for k, v := range per {
		d[k] = v / f.scale[k]
	}
	return f.ResidualSD * math.Sqrt(f.form(d))
}

// form is d' (X'X)^-1 d for the scaled columns X = QR: the square of the length of
// d' R^-1.
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
