package quality

import (
	"errors"
	"fmt"
	"math"

	"beltwarden/supervisor/distribution"
)

// ErrNoScatter: all values are equal, so that nothing can be said about their scatter.
var ErrNoScatter = errors.New("all values are equal")

// Tolerance is the range in which a size is good. A side without bound is infinite.
type Tolerance struct{ Lower, Upper float64 }

// Sample is what capability is computed from: the standard deviation is that of all
// values about their mean, n-1 in the divisor, so that drift counts as scatter.
type Sample struct {
	N    int
	Mean float64
	SD   float64
}

// SampleOf sums up values.
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

// Capability compares the scatter of a size with its tolerance. What a one-sided
// tolerance does not define is NaN: Cp, K, and the index of the other side.
type Capability struct {
	Cp, Cpu, Cpl, Cpk float64
	K                 float64 // distance of the mean from the middle, in half tolerances
	CpInterval        Interval
	CpkInterval       Interval
	// Above and Below are the fractions expected outside, if sizes are normal.
	Above, Below float64
}

// CapabilityOf computes the indices with intervals of the given confidence: that of
// Cp by chi-squared, that of Cpk by its usual normal approximation (e-Handbook 6.1.6).
func CapabilityOf(s Sample, t Tolerance, confidence float64) (Capability, error) {
	switch {
	case !between(confidence):
		return Capability{}, fmt.Errorf("cannot compute capability: a confidence of %g is not between 0 and 1", confidence)
	case !(t.Lower < t.Upper) || math.IsInf(t.Lower, 1) || math.IsInf(t.Upper, -1) || math.IsInf(t.Lower, -1) && math.IsInf(t.Upper, 1):
		return Capability{}, fmt.Errorf("cannot compute capability: %g to %g is no tolerance", t.Lower, t.Upper)
	case s.N < 2 || !usable(s.Mean) || !usable(s.SD):
		return Capability{}, fmt.Errorf("cannot compute capability: %w: %d, and 2 are the least", ErrFew, s.N)
	case !(s.SD > 0):
		return Capability{}, fmt.Errorf("cannot compute capability: %w: measure with a finer resolution, or more parts", ErrNoScatter)
	}
	missing := math.NaN()
	c := Capability{Cp: missing, Cpu: missing, Cpl: missing, K: missing, CpInterval: Interval{missing, missing}}
	c.Cpk = math.Inf(1)
	if !math.IsInf(t.Upper, 1) {
		c.Cpu = (t.Upper - s.Mean) / (3 * s.SD)
		c.Cpk = c.Cpu
		c.Above = distribution.NormalBelow((s.Mean - t.Upper) / s.SD)
	}
	if !math.IsInf(t.Lower, -1) {
		c.Cpl = (s.Mean - t.Lower) / (3 * s.SD)
		c.Cpk = math.Min(c.Cpk, c.Cpl)
		c.Below = distribution.NormalBelow((t.Lower - s.Mean) / s.SD)
	}
	df := float64(s.N - 1)
	if !math.IsNaN(c.Cpu) && !math.IsNaN(c.Cpl) {
		c.Cp = (t.Upper - t.Lower) / (6 * s.SD)
		c.K = math.Abs(t.Lower+(t.Upper-t.Lower)/2-s.Mean) / ((t.Upper - t.Lower) / 2)
		c.CpInterval = Interval{c.Cp * math.Sqrt(distribution.ChiSquaredQuantile((1-confidence)/2, df)/df), c.Cp * math.Sqrt(distribution.ChiSquaredQuantile((1+confidence)/2, df)/df)}
	}
	half := z((1+confidence)/2) * math.Sqrt(1/(9*float64(s.N))+c.Cpk*c.Cpk/(2*df))
	c.CpkInterval = Interval{c.Cpk - half, c.Cpk + half}
	return c, nil
}

// z is the standard normal quantile.
func z(p float64) float64 { return distribution.NormalQuantile(p) }

func between(p float64) bool { return p > 0 && p < 1 }
