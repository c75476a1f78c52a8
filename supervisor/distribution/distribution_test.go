package distribution

import (
	"math"
	"testing"
)

// The upper critical values of NIST/SEMATECH e-Handbook 1.3.6.7.1 (normal, cumulative),
// 1.3.6.7.2 (Student's t) and 1.3.6.7.4 (chi-squared, lower and upper), to the places
// printed there.
func TestPublishedTables(t *testing.T) {
	for _, c := range []struct {
		name           string
		got, published float64
		places         float64
	}{
		{"normal below 1.00", NormalBelow(1), 0.5 + 0.34134, 5},
		{"normal below 1.96", NormalBelow(1.96), 0.5 + 0.47500, 5},
		{"normal below -2.58", NormalBelow(-2.58), 0.5 - 0.49506, 5},
		{"t 0.975, 1", StudentQuantile(0.975, 1), 12.706, 3},
		{"t 0.975, 2", StudentQuantile(0.975, 2), 4.303, 3},
		{"t 0.975, 10", StudentQuantile(0.975, 10), 2.228, 3},
		{"t 0.95, 30", StudentQuantile(0.95, 30), 1.697, 3},
		{"t 0.999, 5", StudentQuantile(0.999, 5), 5.893, 3},
		{"t 0.975, 100", StudentQuantile(0.975, 100), 1.984, 3},
		{"chi-squared 0.95, 1", ChiSquaredQuantile(0.95, 1), 3.841, 3},
		{"chi-squared 0.975, 10", ChiSquaredQuantile(0.975, 10), 20.483, 3},
		{"chi-squared 0.025, 10", ChiSquaredQuantile(0.025, 10), 3.247, 3},
		{"chi-squared 0.99, 50", ChiSquaredQuantile(0.99, 50), 76.154, 3},
	} {
		if half := 0.5001 * math.Pow(10, -c.places); math.Abs(c.got-c.published) > half {
			t.Errorf("%s: %.6f, published %g", c.name, c.got, c.published)
		}
	}
}

// With one degree of freedom Student's t is Cauchy's distribution, with two it has a
// closed form as well (Abramowitz and Stegun 26.7.3 and 26.7.4).
func TestClosedForms(t *testing.T) {
	for _, x := range []float64{-40, -3, -0.1, 0, 1e-9, 0.7, 2, 1000} {
		if got, want := StudentBelow(x, 1), 0.5+math.Atan(x)/math.Pi; math.Abs(got-want) > 1e-9 {
			t.Errorf("below %g with 1: %.15f, %.15f by the closed form", x, got, want)
		}
		if got, want := StudentBelow(x, 2), 0.5+x/(2*math.Sqrt(2+x*x)); math.Abs(got-want) > 1e-9 {
			t.Errorf("below %g with 2: %.15f, %.15f by the closed form", x, got, want)
		}
	}
	// Two degrees of chi-squared are an exponential of mean 2.
	for _, p := range []float64{0.01, 0.5, 0.999} {
		if got, want := ChiSquaredQuantile(p, 2), -2*math.Log1p(-p); math.Abs(got-want) > 1e-9*want {
			t.Errorf("chi-squared %g with 2: %.12f, %.12f by the closed form", p, got, want)
		}
	}
}

// A quantile is where the probability says.
func TestQuantilesInvert(t *testing.T) {
	for _, p := range []float64{1e-6, 0.025, 0.3, 0.5, 0.8, 0.999} {
		if got := NormalBelow(NormalQuantile(p)); math.Abs(got-p) > 1e-12 {
			t.Errorf("normal %g comes back as %g", p, got)
		}
		for _, df := range []float64{0.7, 1, 3.5, 28, 400} {
			if got := StudentBelow(StudentQuantile(p, df), df); math.Abs(got-p) > 1e-9 {
				t.Errorf("t %g with %g comes back as %g", p, df, got)
			}
		}
	}
	// Far out the remainder keeps its digits: 1 - Phi(6) is 9.8659e-10 (Abramowitz and
	// Stegun, table 26.2).
	if got := NormalBelow(-6); math.Abs(got/9.8659e-10-1) > 1e-4 {
		t.Errorf("beyond 6: %g", got)
	}
}

// Without a shift the noncentral t is Student's; with one, t at its root bounds it.
func TestNoncentralStudent(t *testing.T) {
	for _, df := range []float64{2, 8, 29, 499} {
		for _, x := range []float64{-3, 0, 0.7, 4} {
			if got, want := noncentralStudentBelow(x, df, 0), StudentBelow(x, df); math.Abs(got-want) > 1e-8 {
				t.Errorf("below %g with %g: %.12f, %.12f without a shift", x, df, got, want)
			}
			for _, p := range []float64{0.025, 0.05, 0.5} {
				if got := 1 - noncentralStudentBelow(x, df, NoncentralityBelow(x, df, p)); math.Abs(got-p) > 1e-8 {
					t.Errorf("%g with %g: beyond with %.10f, not %g", x, df, got, p)
				}
			}
		}
	}
}

// noncentralStudentBelow is the probability that a value of the noncentral t, (z+shift)/w
// for a standard normal z and w the root of chi-squared over its df degrees of freedom, is
// below t. It integrates over w; the error is under 1e-9 from 2 degrees of freedom on.
func noncentralStudentBelow(t, df, shift float64) float64 { return rootChiSquared(df).below(t, shift) }
