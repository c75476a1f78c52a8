package quality_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"beltwarden/supervisor/quality"
)

// near fails unless got is want within a distance.
func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %.10g, want %.10g within %g", what, got, want, within)
	}
}

// flow is the flow-rate example of the NIST/SEMATECH e-Handbook, 6.3.2.2 (printed
// results cross-checked, the exact ones recomputed).
var flow = []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}

func TestLimitsAgreeWithThePrintedExample(t *testing.T) {
	printed, err := quality.LimitsOf(flow, quality.PrintedD2)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", printed.Mean, 50.81, 1e-12)
	near(t, "mean moving range", printed.MRBar, 1.877777778, 1e-9)
	near(t, "UCL", printed.UCL, 55.8041, 5e-5)
	near(t, "UCL", printed.UCL, 55.804089835, 1e-9)
	near(t, "LCL", printed.LCL, 45.815910165, 1e-9)
	near(t, "sigma", printed.Sigma, 1.664696612, 1e-9)
	near(t, "UCL of the range", printed.MRUCL, 6.133821, 1e-6)
	exact, err := quality.LimitsOf(flow, quality.ExactD2)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "exact UCL", exact.UCL, 55.802411680, 1e-9)
	near(t, "exact LCL", exact.LCL, 45.817588320, 1e-9)

	c, err := quality.Judge(flow, 0, quality.Settings{Rules: []quality.Rule{quality.Beyond3, quality.Range}, Learn: 2, D2: quality.PrintedD2,
		AverageWeight: 0.3, AverageWidth: 3, SumBound: 5})
	if err != nil || len(c.Signals) != 0 || c.Suggestion != nil {
		t.Errorf("the example is in control, but: %+v %v", c, err)
	}
}

func TestLimitsRefuse(t *testing.T) {
	for _, values := range [][]float64{nil, {20}, {20, math.NaN()}, {20, math.Inf(1)}, {1e13, 20}} {
		if l, err := quality.LimitsOf(values, quality.ExactD2); err == nil {
			t.Errorf("%v gave limits %+v", values, l)
		}
	}
	if _, err := quality.LimitsOf([]float64{20}, quality.ExactD2); !errors.Is(err, quality.ErrFew) {
		t.Errorf("one value: %v", err)
	}
	if _, err := quality.LimitsOf(flow, 0); err == nil {
		t.Error("a d2 of 0 was taken")
	}
}

// The standard error given with limits is checked by simulation: 4000 charts of 20
// values; the standard deviation of 4000 estimates is known within 1.1 %.
func TestSigmaRelSEBySimulation(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 3))
	var sigmas []float64
	var given float64
	for range 4000 {
		v := make([]float64, 20)
		for i := range v {
			v[i] = 20 + 0.05*r.NormFloat64()
		}
		l, err := quality.LimitsOf(v, quality.ExactD2)
		if err != nil {
			t.Fatal(err)
		}
		sigmas, given = append(sigmas, l.Sigma/0.05), l.SigmaRelSE
	}
	s, err := quality.SampleOf(sigmas)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean estimate", s.Mean, 1, 4*s.SD/math.Sqrt(4000))
	near(t, "standard error given", given/s.SD, 1, 4*0.0112)
}

func TestMisplaced(t *testing.T) {
	for _, c := range []struct {
		values []float64
		want   []int
	}{
		{[]float64{20.1, 2.01, 20.2, 20.0}, []int{1}},
		{[]float64{20.1, 201, 20.2, 0, -20.1}, []int{1, 3, 4}},
		{[]float64{20.1, 19, 25, 16}, nil},
	} {
		if got := quality.Misplaced(c.values); !slices.Equal(got, c.want) {
			t.Errorf("of %v are misplaced %v, want %v", c.values, got, c.want)
		}
	}
	if got := quality.Misplaced([]float64{-0.1, 0, -0.2}); got != nil {
		t.Errorf("offsets around 0 are no lengths, but %v were named", got)
	}
}
