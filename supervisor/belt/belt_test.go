package belt

import (
	"errors"
	"math"
	"testing"
)

func near(a, b, tol float64) bool { return math.Abs(a-b) <= tol*math.Max(1, math.Abs(b)) }

// TestScaleOfPractice: a nominal 20 mm side that measures 21.3 mm asks for
// steps/mm x 20/21.3 (common practice, no source).
func TestScaleOfPractice(t *testing.T) {
	for _, steps := range []float64{80, 100, 400} {
		s, err := MeasureScale(steps, 20, []float64{21.3}, 0.01)
		if err != nil {
			t.Fatal(err)
		}
		if !near(s.StepsPerMM, steps*20/21.3, 1e-12) || !near(s.Factor, 20/21.3, 1e-12) || !s.Significant {
			t.Errorf("%g steps/mm: %+v", steps, s)
		}
	}
}

// TestScaleUncertainty: mean 20.02, sample deviation 0.02 by hand; the mean's
// standard error is s/sqrt n, with the caliper's resolution/sqrt 12 beside it
// (GUM, JCGM 100:2008, 4.2.3 and 4.3.7; from memory).
func TestScaleUncertainty(t *testing.T) {
	s, err := MeasureScale(80, 20, []float64{20.00, 20.02, 20.04}, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	se := math.Hypot(0.02/math.Sqrt(3), 0.01/math.Sqrt(12)/math.Sqrt(3))
	if !near(s.MeasuredMM, 20.02, 1e-12) || !near(s.StepsPerMMSE, 80*20/20.02*se/20.02, 1e-9) || s.N != 3 {
		t.Errorf("%+v, want standard error %.6f", s, 80*20/20.02*se/20.02)
	}
	if s.Significant { // 0.02 mm against a standard error of 0.012 mm
		t.Error("a change within twice its standard error is called significant")
	}
	if s, _ := MeasureScale(80, 20, []float64{20.00}, 0.01); s.StepsPerMMSE <= 0 {
		t.Error("one measurement has no uncertainty")
	}
}

func TestScaleRefuses(t *testing.T) {
	for name, in := range map[string][]float64{
		"none": {80, 20}, "slipped digit": {80, 20, 2.01}, "zero": {80, 20, 0}, "not a number": {80, 20, math.NaN()},
		"negative": {80, 20, -20}, "infinite": {80, 20, math.Inf(1)}, "no steps": {0, 20, 20}, "no nominal": {80, 0, 20},
	} {
		if s, err := MeasureScale(in[0], in[1], in[2:], 0.01); !errors.Is(err, ErrScale) {
			t.Errorf("%s: %+v, %v; want a refusal", name, s, err)
		}
	}
}

// TestWorstCase works a case by hand: read 0.4 mm at 10 m, 0.05 mm per metre.
func TestWorstCase(t *testing.T) {
	w := WorstCase{RateMMPerM: 0.05, Newest: &Reading{TravelMM: 10_000, OffsetMM: -0.4}}
	if got := w.AtMM(30_000); !near(got, 1.4, 1e-12) { // 0.4 + 20 m x 0.05
		t.Errorf("at 30 m: %g mm, want 1.4", got)
	}
	if got := w.TravelToLimitMM(30_000, 3); !near(got, 32_000, 1e-12) { // 1.6 mm left
		t.Errorf("to the limit: %g mm, want 32000", got)
	}
	if got := w.TravelToLimitMM(90_000, 3); got != 0 {
		t.Errorf("beyond the limit: %g mm, want 0", got)
	}
	fresh := WorstCase{RateMMPerM: 0.05, RealignedAtMM: 5_000}
	if got := fresh.AtMM(25_000); !near(got, 1, 1e-12) {
		t.Errorf("20 m after a realignment: %g mm, want 1", got)
	}
	// A well-aligned belt that runs 100,000 mm within 3 mm drifts by at most 0.03 mm
	// per metre (common practice, no source).
	if got := (WorstCase{RateMMPerM: 0.03}).TravelToLimitMM(0, 3); !near(got, 100_000, 1e-9) {
		t.Errorf("0.03 mm/m reaches 3 mm after %g mm, want 100000", got)
	}
	if got := (WorstCase{}).TravelToLimitMM(0, 3); !math.IsInf(got, 1) {
		t.Errorf("no drift: %g mm, want no end", got)
	}
}
