package belt

import (
	"errors"
	"fmt"
	"math"
)

// ErrFit: the points determine no line.
var ErrFit = errors.New("points determine no line")

// Fit is a least-squares fit of y on up to two columns, with or without a constant.
type Fit struct {
	N          int
	Constant   float64   // at column values of zero; 0 when fitted without
	Slope      []float64 // one for each column
	ConstantSE float64
	SlopeSE    []float64
	ResidualSD float64 // with DF degrees of freedom; 0 when DF is 0
	DF         int
	R2         float64 // about the mean, or about zero when fitted without a constant
	ResidualSS float64

	through bool
	mean    []float64   // of the columns
	scale   []float64   // that the columns were divided by
	inverse [][]float64 // of the triangle R, where Q R are the scaled columns
}

// FitLine fits y = constant + slope*x. It needs two different x.
func FitLine(x, y []float64) (*Fit, error) { return fit(y, false, x) }

// FitThroughZero fits y = slope*x.
func FitThroughZero(x, y []float64) (*Fit, error) { return fit(y, true, x) }

// FitPlane fits y = constant + slope[0]*a + slope[1]*b. It needs points that do not
// lie on a line in (a, b).
func FitPlane(a, b, y []float64) (*Fit, error) { return fit(y, false, a, b) }

// fit solves on columns that are centred and scaled, so that large values with small
// differences lose no digits (NIST StRD Pontius is the test).
func fit(y []float64, through bool, columns ...[]float64) (*Fit, error) {
	n, p := len(y), len(columns)
	f := &Fit{N: n, through: through, mean: make([]float64, p), scale: make([]float64, p), Slope: make([]float64, p), SlopeSE: make([]float64, p)}
	f.DF = n - p
	if !through {
		f.DF--
	}
	if f.DF < 0 || n == 0 {
		return nil, fmt.Errorf("cannot fit: %w: %d are too few", ErrFit, n)
	}
	yMean := 0.0
	if !through {
		yMean = mean(y)
	}
	design := make([][]float64, p)
	for k, c := range columns {
		if len(c) != n {
			return nil, fmt.Errorf("cannot fit: %w: %d values for %d points", ErrFit, len(c), n)
		}
		if !through {
			f.mean[k] = mean(c)
		}
		for _, v := range c {
			f.scale[k] = math.Max(f.scale[k], math.Abs(v-f.mean[k]))
		}
		if f.scale[k] == 0 || math.IsInf(f.scale[k], 0) || math.IsNaN(f.scale[k]) {
			return nil, fmt.Errorf("cannot fit: %w: a column does not vary", ErrFit)
		}
		design[k] = make([]float64, n)
		for i, v := range c {
			design[k][i] = (v - f.mean[k]) / f.scale[k]
		}
	}
	centred := make([]float64, n)
	for i, v := range y {
		centred[i] = v - yMean
	}
	total := dot(centred, centred)
	if err := f.solve(design, centred); err != nil {
		return nil, err
	}
	f.spread(yMean, total)
	return f, nil
}

// solve finds the slopes of the scaled columns and the residuals, by modified Gram-Schmidt with y
// as the last column (Golub and Van Loan, Matrix Computations, 5.3.5): each column, and then y,
// loses its component along the columns before it. What is left of y are the residuals; the
// components form a triangle that determines the slopes. Columns and y are modified in place.
func (f *Fit) solve(columns [][]float64, y []float64) error {
	p := len(columns)
	shares, ofY := make([][]float64, p), make([]float64, p)
	for k, q := range columns {
		shares[k] = make([]float64, p)
		length := math.Sqrt(dot(q, q))
		if length < 1e-10 { // the largest value of a scaled column is 1
			return fmt.Errorf("cannot fit: %w: the columns run together", ErrFit)
		}
		shares[k][k] = length
		for i := range q {
			q[i] /= length
		}
		for j := k + 1; j < p; j++ {
			shares[k][j] = takeShare(q, columns[j])
		}
		ofY[k] = takeShare(q, y)
	}
	f.ResidualSS = dot(y, y)
	f.inverse = invertTriangle(shares)
	for k := range f.Slope {
		f.Slope[k] = dot(f.inverse[k], ofY)
	}
	return nil
}

// takeShare removes from v its component along q, a column of length 1, and returns it.
func takeShare(q, v []float64) float64 {
	share := dot(q, v)
	for i := range v {
		v[i] -= share * q[i]
	}
	return share
}

// invertTriangle inverts an upper triangle.
func invertTriangle(r [][]float64) [][]float64 {
	inverse := make([][]float64, len(r))
	for k := len(r) - 1; k >= 0; k-- {
		inverse[k] = make([]float64, len(r))
		inverse[k][k] = 1 / r[k][k]
		for j := k + 1; j < len(r); j++ {
			for l := k + 1; l <= j; l++ {
				inverse[k][j] -= r[k][l] * inverse[l][j] / r[k][k]
			}
		}
	}
	return inverse
}

// spread computes the constant and the standard errors, in the units of the points.
func (f *Fit) spread(yMean, total float64) {
	if f.DF > 0 {
		f.ResidualSD = math.Sqrt(f.ResidualSS / float64(f.DF))
	}
	f.R2 = 1
	if total > 0 {
		f.R2 = 1 - f.ResidualSS/total
	}
	f.Constant = yMean
	for k := range f.Slope {
		f.Slope[k] /= f.scale[k]
		f.SlopeSE[k] = f.ResidualSD * math.Sqrt(dot(f.inverse[k], f.inverse[k])) / f.scale[k]
		f.Constant -= f.Slope[k] * f.mean[k]
	}
	if f.through {
		f.Constant = 0
		return
	}
	f.ConstantSE = f.ResidualSD * math.Sqrt(f.leverage(make([]float64, len(f.Slope))))
}

// mean corrects the plain mean for its rounding error.
func mean(v []float64) float64 {
	m := 0.0
	for _, x := range v {
		m += x
	}
	m /= float64(len(v))
	rest := 0.0
	for _, x := range v {
		rest += x - m
	}
	return m + rest/float64(len(v))
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i, v := range a {
		sum += v * b[i]
	}
	return sum
}

// squaresAbout sums the squared distances of the values from a middle.
func squaresAbout(v []float64, middle float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += (x - middle) * (x - middle)
	}
	return sum
}
