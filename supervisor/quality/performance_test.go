package quality_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"beltwarden/supervisor/quality"
)

// NIST/SEMATECH e-Handbook 6.1.6 (printed indices cross-checked, the rest recomputed).
func TestIndicesAgreeWithThePrintedExample(t *testing.T) {
	tolerance := quality.Tolerance{Lower: 8, Upper: 20}
	for _, r := range []struct {
		n                              int
		cpLow, cpHigh, cpkLow, cpkHigh float64
	}{
		{10, 0.5478, 1.4538, math.NaN(), math.NaN()},
		{20, 0.6847, 1.3149, math.NaN(), math.NaN()},
		{30, 0.7439, 1.2556, 0.4577, 0.8756},
		{50, 0.8025, 1.1971, 0.5056, 0.8278},
		{100, 0.8608, 1.1389, math.NaN(), math.NaN()},
	} {
		c, err := quality.IndicesOf(quality.Sample{N: r.n, Mean: 16, SD: 2}, tolerance, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Cp", c.Pp, 1, 1e-12)
		near(t, "Cpu", c.Ppu, 0.6667, 5e-5)
		near(t, "Cpl", c.Ppl, 1.3333, 5e-5)
		near(t, "Cpk", c.Ppk, (1-c.K)*c.Pp, 1e-12)
		near(t, "k", c.K, 0.3333, 5e-5)
		near(t, "Cp from", c.PpInterval.Low, r.cpLow, 6e-5)
		near(t, "Cp to", c.PpInterval.High, r.cpHigh, 6e-5)
		if !math.IsNaN(r.cpkLow) {
			near(t, "Cpk from", c.PpkInterval.Low, r.cpkLow, 6e-5)
			near(t, "Cpk to", c.PpkInterval.High, r.cpkHigh, 6e-5)
		}
	}
	// One-sided.
	c, err := quality.IndicesOf(quality.Sample{N: 30, Mean: 14, SD: 2}, quality.Tolerance{Lower: math.Inf(-1), Upper: 20}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "one-sided Cpk", c.Ppk, 1, 1e-12)
	if !math.IsNaN(c.Pp) || !math.IsNaN(c.Ppl) || !math.IsNaN(c.K) || !math.IsNaN(c.PpInterval.Low) {
		t.Errorf("a tolerance with one side has %+v", c)
	}
}

func TestIndicesRefuse(t *testing.T) {
	good, inf := quality.Sample{N: 5, Mean: 20, SD: 0.1}, math.Inf(1)
	for _, c := range []struct {
		s    quality.Sample
		t    quality.Tolerance
		conf float64
		want error
	}{
		{quality.Sample{N: 5, Mean: 20}, quality.Tolerance{19, 21}, 0.95, quality.ErrNoScatter},
		{quality.Sample{N: 1, Mean: 20, SD: 1}, quality.Tolerance{19, 21}, 0.95, quality.ErrFew},
		{good, quality.Tolerance{21, 19}, 0.95, nil},
		{good, quality.Tolerance{20, 20}, 0.95, nil},
		{good, quality.Tolerance{-inf, inf}, 0.95, nil},
		{good, quality.Tolerance{inf, inf}, 0.95, nil},
		{good, quality.Tolerance{math.NaN(), 21}, 0.95, nil},
		{good, quality.Tolerance{19, 21}, 1, nil},
	} {
		_, err := quality.IndicesOf(c.s, c.t, c.conf)
		if err == nil || c.want != nil && !errors.Is(err, c.want) {
			t.Errorf("%+v: %v", c, err)
		}
	}
	s, err := quality.SampleOf(flow)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "standard deviation of the flow-rate example (recomputed)", s.SD, 2.033852393, 1e-9)
	if _, err := quality.SampleOf([]float64{20}); !errors.Is(err, quality.ErrFew) {
		t.Errorf("one value: %v", err)
	}
}

// The bound of what lies outside is that of a one-sided tolerance interval (ISO 16269-6): mean
// and k standard deviations of n normal values lie above the share p with the confidence c if
// P(mean + k·s >= z(p)) = c. That is integrated here over s by itself, from the densities of
// mean and s, with nothing of what is tested; to it belong the factors k of Lieberman's table
// (Industrial Quality Control, April 1958; three places, recomputed by this integral).
func TestOutsideMostAgreesWithToleranceFactors(t *testing.T) {
	below := func(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }
	root := func(f func(float64) float64, low, high float64) float64 { // of a rising function
		for range 100 {
			if middle := (low + high) / 2; f(middle) < 0 {
				low = middle
			} else {
				high = middle
			}
		}
		return low
	}
	factor := func(n, inside, confidence float64) float64 {
		z, df := root(func(x float64) float64 { return below(x) - inside }, 0, 10), n-1
		return root(func(k float64) float64 {
			const steps, reach = 4000, 6.0 // trapezoids over s; its density is 0 at both ends
			kept, all := 0.0, 0.0
			for i := 1; i < steps; i++ {
				s := reach * float64(i) / steps
				density := math.Exp((df-1)*math.Log(s) - df*s*s/2 + df/2) // of s, but for a constant
				kept, all = kept+density*below(math.Sqrt(n)*(k*s-z)), all+density
			}
			return kept/all - confidence
		}, 0, 50)
	}
	for _, r := range []struct {
		n                     int
		inside, confidence, k float64 // k as printed, 0 where no table is at hand
	}{{5, 0.95, 0.95, 4.203}, {10, 0.90, 0.95, 2.355}, {10, 0.95, 0.95, 2.911}, {20, 0.95, 0.95, 2.396}, {30, 0.95, 0.95, 2.220}, {50, 0.95, 0.95, 2.065}, {10, 0.99, 0.95, 3.981},
		{30, 0.9999, 0.975, 0}, {200, 0.999, 0.975, 0}, {30, 0.6, 0.8, 0}} {
		k := factor(float64(r.n), r.inside, r.confidence)
		if r.k != 0 {
			near(t, fmt.Sprintf("k of %d values for %g inside", r.n, r.inside), k, r.k, 6e-4)
		}
		got, err := quality.IndicesOf(quality.Sample{N: r.n, Mean: 0, SD: 1}, quality.Tolerance{Lower: math.Inf(-1), Upper: k}, r.confidence)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("outside, of %d", r.n), got.OutsideMost, 1-r.inside, 1e-6*(1-r.inside))
	}
}

func TestPerformanceOnlyWhereItCanBeJudged(t *testing.T) {
	wide := quality.Tolerance{Lower: 19.5, Upper: 20.5}
	var fine, coarse []float64
	for i := range 40 {
		fine = append(fine, 20+0.01*float64(i%7-3))
		coarse = append(coarse, 20+0.1*float64(i%40/39))
	}
	if p, err := quality.PerformanceOf(fine, 0, wide, 0.95); err != nil || !(p.Ppk > 5) || !(p.OutsideMost < 1e-6) {
		t.Errorf("%+v, %v", p, err)
	}
	tails := append([]float64(nil), fine...)
	tails[20] = 20.4
	for _, r := range []struct {
		values  []float64
		signals int
		want    error
	}{{fine[:29], 0, quality.ErrFew}, {fine, 1, quality.ErrSignals}, {tails, 0, quality.ErrTails}, {coarse, 0, quality.ErrCoarse}, {coarse[:30], 0, quality.ErrNoScatter}, {nil, 0, quality.ErrFew}} {
		if p, err := quality.PerformanceOf(r.values, r.signals, wide, 0.95); !errors.Is(err, r.want) {
			t.Errorf("%v: %+v, %v", r.want, p, err)
		}
	}
}
