package quality_test

import (
	"errors"
	"math"
	"testing"

	"beltwarden/supervisor/quality"
)

// NIST/SEMATECH e-Handbook 6.1.6 (printed indices cross-checked, the rest recomputed).
func TestCapabilityAgreesWithThePrintedExample(t *testing.T) {
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
		c, err := quality.CapabilityOf(quality.Sample{N: r.n, Mean: 16, SD: 2}, tolerance, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Cp", c.Cp, 1, 1e-12)
		near(t, "Cpu", c.Cpu, 0.6667, 5e-5)
		near(t, "Cpl", c.Cpl, 1.3333, 5e-5)
		near(t, "Cpk", c.Cpk, (1-c.K)*c.Cp, 1e-12)
		near(t, "k", c.K, 0.3333, 5e-5)
		near(t, "fraction above", c.Above, 0.0227501319, 1e-10)
		near(t, "fraction below", c.Below, 0.0000316712, 1e-10)
		near(t, "Cp from", c.CpInterval.Low, r.cpLow, 6e-5)
		near(t, "Cp to", c.CpInterval.High, r.cpHigh, 6e-5)
		if !math.IsNaN(r.cpkLow) {
			near(t, "Cpk from", c.CpkInterval.Low, r.cpkLow, 6e-5)
			near(t, "Cpk to", c.CpkInterval.High, r.cpkHigh, 6e-5)
		}
	}
	// One-sided, parts per million at Cpk 1 (recomputed).
	c, err := quality.CapabilityOf(quality.Sample{N: 30, Mean: 14, SD: 2}, quality.Tolerance{Lower: math.Inf(-1), Upper: 20}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "one-sided Cpk", c.Cpk, 1, 1e-12)
	near(t, "one-sided ppm", 1e6*(c.Above+c.Below), 1349.898, 1e-3)
	if !math.IsNaN(c.Cp) || !math.IsNaN(c.Cpl) || !math.IsNaN(c.K) || !math.IsNaN(c.CpInterval.Low) {
		t.Errorf("a tolerance with one side has %+v", c)
	}
}

func TestCapabilityRefuses(t *testing.T) {
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
		_, err := quality.CapabilityOf(c.s, c.t, c.conf)
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
