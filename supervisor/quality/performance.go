package quality

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"beltwarden/supervisor/distribution"
)

// ErrNoScatter: all values are equal, so that nothing can be said about their scatter.
var ErrNoScatter = errors.New("all values are equal")

// Tolerance is the range in which a size is good. A side without bound is infinite.
type Tolerance struct{ Lower, Upper float64 }

// Sample is what performance is computed from: the standard deviation is that of all
// values about their mean, n-1 in the divisor, so that drift counts as scatter.
type Sample struct {
	N    int
	Mean float64
	SD   float64
}

// SampleOf summarises values.
func SampleOf(values []float64) (Sample, error) {
	s := Sample{N: len(values)}
	squares := 0.0
	for i, v := range values {
		if !usable(v) {
			return Sample{}, fmt.Errorf("cannot compute a standard deviation: value %d is %g", i+1, v)
		}
		d := v - s.Mean
		s.Mean += d / float64(i+1)
		squares += d * (v - s.Mean)
	}
	if s.N < 2 {
		return Sample{}, fmt.Errorf("cannot compute a standard deviation: %w: %d, and 2 are the least", ErrFew, s.N)
	}
	s.SD = math.Sqrt(squares / float64(s.N-1))
	return s, nil
}

// Interval is a confidence interval.
type Interval struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Performance compares the scatter of a size with its tolerance. Since drift counts as
// scatter, the indices are Pp and Ppk (ISO 22514-2). What a one-sided tolerance does not
// define is NaN: Pp, K, and the index of the other side.
type Performance struct {
	Pp, Ppu, Ppl, Ppk float64
	K                 float64 // distance of the mean from the middle, in half tolerances
	PpInterval        Interval
	PpkInterval       Interval
	// OutsideMost is the fraction outside the tolerance at most, with the confidence, if
	// sizes are normally distributed.
	OutsideMost float64
}

// MinForPerformance is the smallest number of sizes for performance figures (common practice, no
// source).
const MinForPerformance = 30

// Why there is no performance to speak of.
var (
	ErrSignals = errors.New("the sizes are not under statistical control")
	ErrCoarse  = errors.New("the sizes were read too coarsely")
	ErrTails   = errors.New("the sizes are not normally distributed: some lie too far out")
)

// PerformanceOf judges values in the order in which they were measured, all of one process:
// since the last change of the scale. There is none of few values, of values against which
// signals were raised, and of values whose scatter is lost in the steps they were read in.
func PerformanceOf(values []float64, signals int, t Tolerance, confidence float64) (Performance, error) {
	sample, err := SampleOf(values)
	switch {
	case len(values) < MinForPerformance:
		return Performance{}, fmt.Errorf("cannot compute performance: %w: %d, and %d are the least", ErrFew, len(values), MinForPerformance)
	case err != nil:
		return Performance{}, err
	case signals > 0:
		return Performance{}, fmt.Errorf("cannot compute performance: %w: find what the signals mean first", ErrSignals)
	}
	if step := Resolution(values); sample.SD > 0 && sample.SD < 0.6*step {
		return Performance{}, fmt.Errorf("cannot compute performance: %w: to %g, and they scatter by %.2g only; take a finer caliper", ErrCoarse, step, sample.SD)
	}
	if longTailed(values, sample) {
		return Performance{}, fmt.Errorf("cannot compute performance: %w", ErrTails)
	}
	return IndicesOf(sample, t, confidence)
}

// longTailed reports whether the kurtosis of the values is three standard errors, about sqrt(24/n),
// above that of a normal population.
func longTailed(values []float64, s Sample) bool {
	n, squares, fourths := float64(len(values)), 0.0, 0.0
	for _, v := range values {
		d := (v - s.Mean) * (v - s.Mean)
		squares, fourths = squares+d, fourths+d*d
	}
	return squares > 0 && n*fourths/(squares*squares)-3 > 3*math.Sqrt(24/n)
}

// IndicesOf computes the indices with intervals of the given confidence: that of Pp by
// chi-squared, that of Ppk by its usual normal approximation (e-Handbook 6.1.6). What lies
// outside is bounded by the noncentral t of each side, as a tolerance interval is (ISO
// 16269-6); two sides share the risk.
func IndicesOf(s Sample, t Tolerance, confidence float64) (Performance, error) {
	two := !math.IsInf(t.Lower, -1) && !math.IsInf(t.Upper, 1)
	switch {
	case !between(confidence):
		return Performance{}, fmt.Errorf("cannot compute performance: a confidence of %g is not between 0 and 1", confidence)
	case !(t.Lower < t.Upper) || math.IsInf(t.Lower, 1) || math.IsInf(t.Upper, -1) || math.IsInf(t.Lower, -1) && math.IsInf(t.Upper, 1):
		return Performance{}, fmt.Errorf("cannot compute performance: %g to %g is no tolerance", t.Lower, t.Upper)
	case s.N < 2 || !usable(s.Mean) || !usable(s.SD):
		return Performance{}, fmt.Errorf("cannot compute performance: %w: %d, and 2 are the least", ErrFew, s.N)
	case !(s.SD > 0):
		return Performance{}, fmt.Errorf("cannot compute performance: %w: measure with a finer resolution, or more parts", ErrNoScatter)
	}
	missing := math.NaN()
	c := Performance{Pp: missing, Ppu: missing, Ppl: missing, K: missing, PpInterval: Interval{missing, missing}}
	c.Ppk = math.Inf(1)
	risk := 1 - confidence
	if two {
		risk /= 2
	}
	if !math.IsInf(t.Upper, 1) {
		c.Ppu = (t.Upper - s.Mean) / (3 * s.SD)
		c.Ppk = c.Ppu
		c.OutsideMost += beyondMost((t.Upper-s.Mean)/s.SD, s.N, risk)
	}
	if !math.IsInf(t.Lower, -1) {
		c.Ppl = (s.Mean - t.Lower) / (3 * s.SD)
		c.Ppk = math.Min(c.Ppk, c.Ppl)
		c.OutsideMost += beyondMost((s.Mean-t.Lower)/s.SD, s.N, risk)
	}
	c.OutsideMost = math.Min(1, c.OutsideMost)
	df := float64(s.N - 1)
	if two {
		c.Pp = (t.Upper - t.Lower) / (6 * s.SD)
		c.K = math.Abs(t.Lower+(t.Upper-t.Lower)/2-s.Mean) / ((t.Upper - t.Lower) / 2)
		c.PpInterval = Interval{c.Pp * math.Sqrt(distribution.ChiSquaredQuantile((1-confidence)/2, df)/df), c.Pp * math.Sqrt(distribution.ChiSquaredQuantile((1+confidence)/2, df)/df)}
	}
	half := z((1+confidence)/2) * math.Sqrt(1/(9*float64(s.N))+c.Ppk*c.Ppk/(2*df))
	c.PpkInterval = Interval{c.Ppk - half, c.Ppk + half}
	return c, nil
}

// beyondMost bounds the fraction of a normal population beyond a limit that lies k sample
// standard deviations from the mean of n values. The bound is wrong with the probability risk.
func beyondMost(k float64, n int, risk float64) float64 {
	root := math.Sqrt(float64(n))
	return distribution.NormalBelow(-distribution.NoncentralityBelow(k*root, float64(n-1), risk) / root)
}

// resolutions are the steps that calipers and people read in, in falling order.
var resolutions = []float64{1, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001}

// Resolution is the coarsest step that all values are read in, 0 for none.
func Resolution(values []float64) float64 {
	for _, step := range resolutions {
		if !slices.ContainsFunc(values, func(v float64) bool { return math.Abs(v/step-math.Round(v/step)) > 1e-6 }) {
			return step
		}
	}
	return 0
}

// z is the standard normal quantile.
func z(p float64) float64 { return distribution.NormalQuantile(p) }

func between(p float64) bool { return p > 0 && p < 1 }
