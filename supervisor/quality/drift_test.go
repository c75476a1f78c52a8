package quality_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"beltwarden/supervisor/quality"
)

// NIST/SEMATECH e-Handbook 6.3.2.4 (printed results cross-checked): target 50,
// s 2.0539, weight 0.3, 3 standard deviations.
func TestAverageAgreesWithThePrintedExample(t *testing.T) {
	data := []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	want := []float64{50.600000, 49.520000, 50.564000, 50.184800, 50.159360, 49.211552, 49.748086, 49.853660, 50.257562, 50.330294,
		50.111206, 49.357844, 49.520491, 50.054344, 49.378040, 49.924628, 50.727240, 51.229068, 51.940348, 51.988243}
	high := map[int]float64{1: 51.848510, 2: 52.256394, 3: 52.431406, 5: 52.551611, 10: 52.587399}
	a := quality.NewAverage(50, 2.0539, 0.3, 3)
	for i, v := range data {
		if side := a.Observe(v); side != 0 {
			t.Errorf("value %d signals, and all are inside", i+1)
		}
		near(t, "average", a.At, want[i], 6e-7)
		if w, is := high[i+1]; is {
			_, got := a.Limits()
			near(t, "exact upper limit", got, w, 6e-7)
		}
	}
	for range 200 {
		a.Observe(50)
	}
	low, up := a.Limits()
	near(t, "steady upper limit", up, 52.588431738, 1e-9)
	near(t, "steady lower limit", low, 47.411568262, 1e-9)
	near(t, "printed lower limit", low, 47.4115, 1e-4) // printed with a rounded factor
}

// NIST/SEMATECH e-Handbook 6.3.2.3 (printed results cross-checked).
func TestSumsAgreeWithThePrintedExample(t *testing.T) {
	data := []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250,
		327.825, 328.500, 326.675, 327.775, 326.875, 328.350}
	high := []float64{0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.9400, 7.4475, 10.6300, 11.9875, 14.4450, 16.0025, 19.0350}
	low := []float64{0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.7150, 0.1725, 0.2550, 0.3125, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	s := quality.Sums{Target: 325, Slack: 0.3175, Bound: 4.1959}
	for i, v := range data {
		side := s.Observe(v)
		near(t, "upper sum", s.High, high[i], 1e-9)
		near(t, "lower sum", s.Low, low[i], 1e-9)
		if want := i >= 13; (side == 1) != want || side < 0 {
			t.Errorf("value %d signals %d", i+1, side)
		}
	}
}

// The average of a sum is the sum of the averages, and its spread scales with it.
func TestAverageIsLinear(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		weight := rapid.Float64Range(0.01, 1).Draw(rt, "weight")
		a := quality.NewAverage(1, 1, weight, 3)
		b := quality.NewAverage(2, 1, weight, 3)
		c := quality.NewAverage(3*1+2, 3, weight, 3)
		for range rapid.IntRange(1, 50).Draw(rt, "n") {
			x, y := rapid.Float64Range(-100, 100).Draw(rt, "x"), rapid.Float64Range(-100, 100).Draw(rt, "y")
			a.Observe(x)
			b.Observe(y)
			c.Observe(3*x + y)
		}
		if math.Abs(3*a.At+b.At-c.At) > 1e-9 {
			rt.Fatalf("3*%g + %g is not %g", a.At, b.At, c.At)
		}
		_, one := a.Limits()
		_, three := c.Limits()
		if math.Abs(3*(one-1)-(three-5)) > 1e-9 {
			rt.Fatalf("limits %g and %g do not scale", one, three)
		}
	})
}
