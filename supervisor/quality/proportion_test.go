package quality_test

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"beltwarden/supervisor/quality"
)

// 95 % intervals: rows 1 to 4 are Table I, method 3, of Statistics in Medicine 17
// (1998) 857-872 (cross-checked); the further digits recomputed.
func TestIntervalsOfProportions(t *testing.T) {
	for _, r := range []struct {
		k, n      int64
		low, high float64
	}{
		{81, 263, 0.255289, 0.366210},
		{15, 148, 0.062386, 0.160487},
		{0, 20, 0, 0.161125},
		{1, 29, 0.006113, 0.171755},
		{5, 10, 0.236593, 0.763407},
		{0, 10, 0, 0.277533},
		{10, 10, 0.722467, 1},
	} {
		w, err := quality.Wilson(r.k, r.n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Wilson from", w.Low, r.low, 6e-7)
		near(t, "Wilson to", w.High, r.high, 6e-7)
	}
	w, _ := quality.Wilson(4, 20, 0.90)
	near(t, "Wilson from", w.Low, 0.0931180, 6e-8)
	near(t, "Wilson to", w.High, 0.3783767, 6e-8)
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
	}
}

func TestIntervalsAreOrdered(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.Int64Range(1, 100_000).Draw(rt, "n")
		k := rapid.Int64Range(0, n).Draw(rt, "k")
		c := rapid.Float64Range(0.5, 0.999).Draw(rt, "confidence")
		i, err := quality.Wilson(k, n, c)
		p := float64(k) / float64(n)
		if err != nil || !(0 <= i.Low && i.Low <= p && p <= i.High && i.High <= 1) {
			rt.Fatalf("%d in %d: %+v, %v", k, n, i, err)
		}
		if k < n {
			if more, _ := quality.Wilson(k+1, n, c); more.Low < i.Low || more.High < i.High {
				rt.Fatalf("it falls from %d to %d of %d: %+v, %+v", k, k+1, n, i, more)
			}
		}
	})
}

// The one-sided bound of 95 % is the upper end of a two-sided interval of 90 %: e-Handbook 7.2.4.1 has 0.401029 for 4 of 20
// (from memory), recomputed 0.4010281173. Of none in n it is 1-0.05^(1/n).
func TestAtMost(t *testing.T) {
	for _, c := range []struct {
		k, n int64
		want float64
	}{{4, 20, 0.4010281173}, {0, 9, 0.2831294}, {0, 30, 0.0950344}, {20, 20, 1}, {0, 1, 0.95}} {
		got, err := quality.AtMost(c.k, c.n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("%d of %d", c.k, c.n), got, c.want, 1e-6)
	}
	for _, c := range [][2]int64{{0, 0}, {-1, 3}, {4, 3}} {
		if _, err := quality.AtMost(c[0], c[1], 0.95); err == nil {
			t.Errorf("%v gave a bound", c)
		}
	}
}
