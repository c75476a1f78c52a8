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

	_, signals, suggestion, err := quality.Judge(flow, 0, quality.Settings{Rules: []quality.Rule{quality.Beyond3, quality.Range}, Learn: 2, D2: quality.PrintedD2,
		AverageWeight: 0.3, AverageWidth: 3, SumBound: 5})
	if err != nil || len(signals) != 0 || suggestion != nil {
		t.Errorf("the example is in control, but: %v %v %v", signals, suggestion, err)
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

// The printed table is "Factors for Constructing Control Charts", a textbook appendix
// (the same columns are in ASTM E2587); six decimals recomputed independently.
func TestFactorsAgreeWithThePrintedTable(t *testing.T) {
	rows := []struct {
		n                                  int
		d2, d3, a2, lower, upper           float64
		printedD2, printedD3, printedUpper float64
	}{
		{2, 1.128379, 0.852502, 1.8800, 0, 3.2665, 1.128, 0.853, 3.267},
		{3, 1.692569, 0.888368, 1.0233, 0, 2.5746, 1.693, 0.888, 2.574},
		{4, 2.058751, 0.879808, 0.7286, 0, 2.2821, 2.059, 0.880, 2.282},
		{5, 2.325929, 0.864082, 0.5768, 0, 2.1145, 2.326, 0.864, 2.114},
		{6, 2.534413, 0.848040, 0.4832, 0, 2.0038, 2.534, 0.848, 2.004},
		{7, 2.704357, 0.833205, 0.4193, 0.0757, 1.9243, 2.704, 0.833, 1.924},
		{8, 2.847201, 0.819831, 0.3725, 0.1362, 1.8638, 2.847, 0.820, 1.864},
		{9, 2.970026, 0.807834, 0.3367, 0.1840, 1.8160, 2.970, 0.808, 1.816},
		{10, 3.077505, 0.797051, 0.3083, 0.2230, 1.7770, 3.078, 0.797, 1.777},
	}
	for _, r := range rows {
		f, err := quality.FactorsFor(r.n)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "d2", f.D2, r.d2, 6e-7)
		near(t, "d3", f.D3, r.d3, 6e-7)
		near(t, "A2", f.A2, r.a2, 6e-5)
		near(t, "lower range factor", f.LowerRange, r.lower, 6e-5)
		near(t, "upper range factor", f.UpperRange, r.upper, 6e-5)
		near(t, "E2", f.E2, 3/r.d2, 6e-7)
		near(t, "printed d2", f.D2, r.printedD2, 1e-3)
		near(t, "printed d3", f.D3, r.printedD3, 1e-3)
		near(t, "printed upper range factor", f.UpperRange, r.printedUpper, 1e-3)
	}
	two, _ := quality.FactorsFor(2)
	near(t, "d2 of 2, closed form", two.D2, 2/math.Sqrt(math.Pi), 1e-9)
	near(t, "d3 of 2, closed form", two.D3, math.Sqrt(2-4/math.Pi), 1e-9)
	three, _ := quality.FactorsFor(3)
	near(t, "d2 of 3, closed form", three.D2, 3/math.Sqrt(math.Pi), 1e-9)
	for _, n := range []int{-1, 0, 1, 26} {
		if _, err := quality.FactorsFor(n); err == nil {
			t.Errorf("factors for %d", n)
		}
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
