// Package quality judges the parts: whether their size is under statistical
// control and within tolerance, how many are good, how many cycles must be started
// for those ordered, how long parts hold on to the belt, and how well the machine's
// time was used. It is pure.
//
// Sizes are in the unit of their tolerance, millimetres unless said otherwise.
package quality

import (
	"errors"
	"fmt"
	"math"
)

// ErrFew: the values are too few for what was asked.
var ErrFew = errors.New("too few values")

// Limits are those of a chart of individual values and their moving ranges, three
// standard deviations to either side of the mean.
type Limits struct {
	N     int     `json:"n"` // values that they were computed from
	Mean  float64 `json:"mean"`
	MRBar float64 `json:"mr_bar"` // mean distance of neighbours
	Sigma float64 `json:"sigma"`  // standard deviation by MRBar, free of slow drift
	UCL   float64 `json:"ucl"`
	LCL   float64 `json:"lcl"`
	MRUCL float64 `json:"mr_ucl"` // the moving range's upper limit; its lower one is 0
	// SigmaRelSE is the relative standard error of Sigma: what few values leave open.
	SigmaRelSE float64 `json:"sigma_rel_se"`
}

// LimitsOf computes limits from values in the order in which the parts were made.
// d2 is ExactD2, or PrintedD2 to agree with printed examples. It needs two values.
func LimitsOf(values []float64, d2 float64) (Limits, error) {
	if len(values) < 2 {
		return Limits{}, fmt.Errorf("cannot compute control limits: %w: %d, and 2 are the least", ErrFew, len(values))
	}
	if !(d2 > 0) {
		return Limits{}, fmt.Errorf("cannot compute control limits: d2 of %g is not above 0", d2)
	}
	var l Limits
	l.N = len(values)
	for i, v := range values {
		if !usable(v) {
			return Limits{}, fmt.Errorf("cannot compute control limits: value %d is %g", i+1, v)
		}
		l.Mean += (v - l.Mean) / float64(i+1) // sums of large values would lose digits
		if i > 0 {
			l.MRBar += math.Abs(v-values[i-1]) / float64(l.N-1)
		}
	}
	l.Sigma = l.MRBar / d2
	l.UCL, l.LCL = l.Mean+3*l.Sigma, l.Mean-3*l.Sigma
	l.MRUCL = l.MRBar * (1 + 3*math.Sqrt(2-4/math.Pi)/ExactD2)
	l.SigmaRelSE = sigmaRelSE(l.N)
	return l, nil
}

// sigmaRelSE is the relative standard error of a mean moving range of n normal
// values. Neighbouring ranges share a value: their differences correlate by -1/2,
// from which follows the covariance of their absolute values.
func sigmaRelSE(n int) float64 {
	m := float64(n - 1)
	variance := 2 - 4/math.Pi
	covariance := 4 / math.Pi * (math.Sqrt(0.75) + 0.5*math.Asin(0.5) - 1)
	return math.Sqrt(m*variance+2*(m-1)*covariance) / m / ExactD2
}

// largest bounds what is taken for a size, so that squares and sums stay finite.
const largest = 1e12

// usable says whether a value can be charted at all.
func usable(v float64) bool { return math.Abs(v) <= largest }

// Misplaced returns the indices of values five or more times larger, or smaller,
// than the median: 2.01 for 20.1 is a slipped decimal point and no bad part. Values
// whose median is not above 0 are no lengths, and none is named.
func Misplaced(values []float64) []int {
	const times = 5
	middle := median(values)
	if !(middle > 0) {
		return nil
	}
	var out []int
	for i, v := range values {
		if v >= times*middle || v <= middle/times {
			out = append(out, i)
		}
	}
	return out
}
