package quality

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestStepBySums compares the search for a change of level by running sums with one by the
// sums of each part.
func TestStepBySums(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for n := 4; n < 60; n++ {
		values := make([]float64, n)
		for i := range values {
			values[i] = 20 + 0.05*r.NormFloat64()
			if i > 2*n/3 {
				values[i] += 0.1
			}
		}
		const least, more, doubt = 3, 1.5, 0.7
		at, away, moved := 0, 0.0, 0.0
		for k := least; k <= n-least; k++ {
			a, b := sumOf(values[:k]), sumOf(values[k:])
			within := math.Sqrt((a.squares + b.squares) / float64(n-2))
			f := follows(a.products+b.products, a.squares+b.squares, float64(n)/2, more)
			if d := math.Abs(b.mean-a.mean) / (within * math.Sqrt((1/a.n+1/b.n)*(1+f)/(1-f)) * (1 + doubt*f)); d > away {
				at, away, moved = k, d, b.mean-a.mean
			}
		}
		k, d, by := step(values, least, more, doubt)
		if k != at || math.Abs(d-away) > 1e-6*away || math.Abs(by-moved) > 1e-9 {
			t.Errorf("of %d values: at %d, %g, %g; want %d, %g, %g", n, k, d, by, at, away, moved)
		}
	}
}

// TestALonePartIsNamed: one part far out among good ones holds nobody up, and is named to whoever
// has it in his hand; one further out holds.
func TestALonePartIsNamed(t *testing.T) {
	for _, c := range []struct {
		sd            float64
		remark, holds bool
	}{{1, false, false}, {3, false, false}, {5.5, true, false}, {9, false, true}} {
		m, err := NewMonitor(DefaultSettings())
		if err != nil {
			t.Fatal(err)
		}
		r := rand.New(rand.NewPCG(5, 6))
		for range 60 {
			if v, err := m.Observe(20 + 0.0501*r.NormFloat64()); err != nil || v.Signals != nil {
				t.Fatalf("%+v %v", v, err)
			}
		}
		v, err := m.Observe(20 + c.sd*m.Limits.Sigma)
		if err != nil || (v.Remark != "") != c.remark || (len(v.Signals) > 0) != c.holds {
			t.Errorf("%g standard deviations off: %+v, %v", c.sd, v, err)
		}
	}
}
