// Package quality judges the parts: whether their size is under statistical control and within
// tolerance, how many are good, how many cycles must be started for those ordered, how long parts
// stay on the belt, and how well the machine's time was used. It is pure.
//
// Sizes are in the unit of their tolerance, millimetres unless stated otherwise.
package quality

import (
	"errors"
	"fmt"
	"math"
)

// ExactD2 is the mean range of two values of a normal population, in standard
// deviations: 2/sqrt(pi). Printed tables round it to PrintedD2.
const (
	ExactD2   = 2 / (math.SqrtPi)
	PrintedD2 = 1.128
)

// ErrFew: there are too few values.
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
	// SigmaRelSE is the relative standard error of Sigma.
	SigmaRelSE float64 `json:"sigma_rel_se"`
	// Follows is the autocorrelation of neighbours (lag 1) if the limits allow for it; 0 otherwise.
	Follows float64 `json:"follows,omitempty"`
	// MeanError is the variance of the mean, relative to that of single values, if the limits allow
	// for it.
	MeanError float64 `json:"mean_error,omitempty"`
}

// The limits of a monitor that sets them from its own first values. Of 100 lots of 60
// values with nothing wrong at most 10 are to be called out, whether values are normal,
// read in steps, follow one another or have long tails (measured, see docs/evidence.md).
const (
	singleWidth = 6.5 // of single values, in standard deviations: sizes with long tails reach 5
	notedWidth  = 4.0 // beyond which a value is remarked on, to be measured again
	mostFollows = 0.85
	reach       = 2.75 // up to which a value counts for a change of level, in standard deviations
	followsMore = 1.5
	leastLevel  = 4 // values make a level while limits are being learned
	// A change of level is one from changed standard errors on, of changeLeast values or more;
	// changeMore is followsMore for it, and the error is wider by changeDoubt for what is not
	// known of how values follow one another.
	changed     = 3.65
	changeLeast = 6
	changeMore  = 1.6
	changeDoubt = 0.6
	maxRecent   = 60  // values in which it is looked for
	stepScatter = 0.5 // the least standard deviation that values show which are read in steps of 1
)

// cautious widens limits by what few values leave open: the standard deviation of all values
// where that is larger than the one by ranges, which overlooks that values follow one
// another; the steps that they were read in; and the error of their mean.
func (l Limits) cautious(values []float64) Limits {
	n, all := float64(len(values)), sumOf(values)
	l.Follows = follows(all.products, all.squares, n, followsMore)
	l.Sigma = math.Max(math.Max(l.Sigma, math.Sqrt(all.squares/(n-1))), stepScatter*Resolution(values))
	l.MeanError = (1 + l.Follows) / (1 - l.Follows) / n
	half := singleWidth * l.Sigma * math.Sqrt(1+l.MeanError)
	l.UCL, l.LCL = l.Mean+half, l.Mean-half
	return l
}

// step finds the most evident change of level: the index of the first value after it, and by how
// many standard errors the levels differ. Fewer than least values to either side are no level; more
// and doubt widen the error for autocorrelated values.
func step(values []float64, least int, more, doubt float64) (at int, away, moved float64) {
	if len(values) < 2*least {
		return 0, 0, 0
	}
	floor, n := stepScatter*Resolution(values), float64(len(values))
	sums := make([]sum, len(values)+1) // of the first so many, about the first; mean is their sum
	for i, v := range values {
		v -= values[0]
		s := sums[i]
		s.n, s.mean, s.squares = s.n+1, s.mean+v, s.squares+v*v
		if i > 0 {
			s.products += v * (values[i-1] - values[0])
		}
		sums[i+1] = s
	}
	between := func(from, to int) sum {
		a, b, first, last := sums[from], sums[to], values[from]-values[0], values[to-1]-values[0]
		s := sum{n: b.n - a.n, squares: b.squares - a.squares, products: b.products - sums[from+1].products}
		all := b.mean - a.mean
		s.mean = all / s.n
		s.squares = math.Max(0, s.squares-all*s.mean)
		s.products += s.mean * (first + last - 2*all + (s.n-1)*s.mean)
		return s
	}
	for k := least; k <= len(values)-least; k++ {
		a, b := between(0, k), between(k, len(values))
		within := math.Max(math.Sqrt((a.squares+b.squares)/(n-2)), floor)
		f := follows(a.products+b.products, a.squares+b.squares, n/2, more)
		se := within * math.Sqrt((1/a.n+1/b.n)*(1+f)/(1-f)) * (1 + doubt*f)
		if se > 0 && math.Abs(b.mean-a.mean)/se > away {
			at, away, moved = k, math.Abs(b.mean-a.mean)/se, b.mean-a.mean
		}
	}
	return at, away, moved
}

type sum struct{ n, mean, squares, products float64 }

// sumOf sums up values: their mean, their squares about it, the products of neighbours.
func sumOf(values []float64) (s sum) {
	for _, v := range values {
		s.n++
		s.mean += (v - s.mean) / s.n
	}
	for i, v := range values {
		s.squares += (v - s.mean) * (v - s.mean)
		if i > 0 {
			s.products += (v - s.mean) * (values[i-1] - s.mean)
		}
	}
	return s
}

// follows estimates the autocorrelation at lag 1, corrected for its bias (Kendall 1954) and
// increased, since few values show it poorly.
func follows(products, squares, n, more float64) float64 {
	if squares <= 0 {
		return 0
	}
	r := products / squares
	return math.Min(mostFollows, math.Max(0, more*(r+(1+4*r)/n)))
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
		l.Mean += (v - l.Mean) / float64(i+1) // a sum of large values would lose digits
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

// largest bounds what counts as a size, so that squares and sums stay finite.
const largest = 1e12

// usable reports whether a value can be charted.
func usable(v float64) bool { return math.Abs(v) <= largest }

// Misplaced returns the indices of values five or more times larger, or smaller, than the median:
// 2.01 for 20.1 is a misplaced decimal point, not a bad part. Values whose median is not above 0
// are no lengths, and none is returned.
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
