package quality_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"beltwarden/supervisor/quality"
)

// 95 % intervals: rows 1 to 4 are Table I, method 3, of Statistics in Medicine 17
// (1998) 857-872 (cross-checked); the exact ones and the further digits recomputed.
func TestIntervalsOfProportions(t *testing.T) {
	for _, r := range []struct {
		k, n                           int64
		low, high, exactLow, exactHigh float64
	}{
		{81, 263, 0.255289, 0.366210, 0.252737, 0.367622},
		{15, 148, 0.062386, 0.160487, 0.057844, 0.161650},
		{0, 20, 0, 0.161125, 0, 0.168433},
		{1, 29, 0.006113, 0.171755, 0.000873, 0.177644},
		{5, 10, 0.236593, 0.763407, 0.187086, 0.812914},
		{0, 10, 0, 0.277533, 0, 0.308497},
		{10, 10, 0.722467, 1, 0.691503, 1},
	} {
		w, err := quality.Wilson(r.k, r.n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Wilson from", w.Low, r.low, 6e-7)
		near(t, "Wilson to", w.High, r.high, 6e-7)
		c, err := quality.ClopperPearson(r.k, r.n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "exact from", c.Low, r.exactLow, 6e-7)
		near(t, "exact to", c.High, r.exactHigh, 6e-7)
	}
	// e-Handbook 7.2.4.1: 4 of 20, 90 % (printed 0.071354 and 0.401029; recomputed).
	c, _ := quality.ClopperPearson(4, 20, 0.90)
	near(t, "exact from", c.Low, 0.0713538843, 1e-9)
	near(t, "exact to", c.High, 0.4010281173, 1e-9)
	w, _ := quality.Wilson(4, 20, 0.90)
	near(t, "Wilson from", w.Low, 0.0931180, 6e-8)
	near(t, "Wilson to", w.High, 0.3783767, 6e-8)
	low, _ := quality.WilsonLower(4, 20, 0.95)
	high, _ := quality.WilsonUpper(4, 20, 0.95)
	near(t, "one-sided lower", low, w.Low, 1e-12)
	near(t, "one-sided upper", high, w.High, 1e-12)
	// No failures: the upper 95 % limit is 1 - 0.05^(1/n).
	for n, want := range map[int64]float64{10: 0.258866, 20: 0.139108, 30: 0.095034, 59: 0.049508, 100: 0.029513} {
		c, _ := quality.ClopperPearson(0, n, 0.90)
		near(t, "no failures", c.High, want, 6e-7)
	}
	if w, err := quality.Wilson(1e6-1, 1e6, 0.95); err != nil || !(w.Low > 0.99999 && w.High < 1) {
		t.Errorf("a million parts: %+v, %v", w, err)
	}
}

func TestProportionsRefuse(t *testing.T) {
	for _, c := range []struct {
		k, n int64
		conf float64
	}{{-1, 5, 0.95}, {6, 5, 0.95}, {0, 0, 0.95}, {1, 5, 0}, {1, 5, 1}, {1, 5, math.NaN()}} {
		if _, err := quality.Wilson(c.k, c.n, c.conf); err == nil {
			t.Errorf("Wilson took %+v", c)
		}
		if _, err := quality.ClopperPearson(c.k, c.n, c.conf); err == nil {
			t.Errorf("Clopper-Pearson took %+v", c)
		}
	}
}

func TestIntervalsAreOrdered(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.Int64Range(1, 100_000).Draw(rt, "n")
		k := rapid.Int64Range(0, n).Draw(rt, "k")
		c := rapid.Float64Range(0.5, 0.999).Draw(rt, "confidence")
		for name, f := range map[string]func(k, n int64, c float64) (quality.Interval, error){"Wilson": quality.Wilson, "exact": quality.ClopperPearson} {
			i, err := f(k, n, c)
			p := float64(k) / float64(n)
			if err != nil || !(0 <= i.Low && i.Low <= p && p <= i.High && i.High <= 1) {
				rt.Fatalf("%s of %d in %d: %+v, %v", name, k, n, i, err)
			}
			if k < n {
				if more, _ := f(k+1, n, c); more.Low < i.Low || more.High < i.High {
					rt.Fatalf("%s falls from %d to %d of %d: %+v, %+v", name, k, k+1, n, i, more)
				}
			}
		}
	})
}
