package quality_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/mathext"
	"pgregory.net/rapid"

	"beltwarden/supervisor/quality"
)

// The 95 % points of the negative binomial distribution, by direct sums and by the
// incomplete beta function independently (model: e-Handbook 1.3.6.6.18).
func TestStartsKnownTable(t *testing.T) {
	orders := []int64{1, 5, 10, 20, 24, 50, 100}
	for p, want := range map[float64][]int64{
		0.99: {1, 5, 11, 21, 25, 52, 103},
		0.98: {1, 6, 11, 22, 26, 53, 105},
		0.95: {1, 6, 12, 23, 27, 56, 109},
		0.90: {2, 7, 13, 25, 30, 60, 117},
		0.80: {2, 9, 16, 29, 35, 69, 135},
		0.50: {5, 16, 28, 51, 60, 117, 224},
	} {
		for i, good := range orders {
			n, reached, err := quality.StartsKnown(p, good, 0.95)
			if err != nil || n != want[i] || reached < 0.95-1e-9 {
				t.Errorf("p %g, N %d: %d (%g), %v; want %d", p, good, n, reached, err, want[i])
			}
			near(t, "probability", reached, mathext.RegIncBeta(float64(good), float64(n-good+1), p), 1e-10)
		}
	}
	for _, c := range []struct {
		p    float64
		good int64
		want float64
	}{{0.90, 20, 0.966600}, {0.90, 10, 0.965839}, {0.95, 24, 0.956264}, {0.80, 20, 0.950736}, {0.9, 2, 0.972}} {
		_, reached, _ := quality.StartsKnown(c.p, c.good, 0.95)
		near(t, fmt.Sprint(c), reached, c.want, 6e-7)
	}
	// Success runs: ln(1-C)/ln R (printed widely, from memory; recomputed) as starts
	// until the first failure is seen.
	for _, c := range []struct {
		reliability, confidence float64
		want                    int64
	}{{0.90, 0.90, 22}, {0.90, 0.95, 29}, {0.95, 0.95, 59}, {0.99, 0.95, 299}} {
		if n, _, err := quality.StartsKnown(1-c.reliability, 1, c.confidence); err != nil || n != c.want {
			t.Errorf("%+v: %d, %v", c, n, err)
		}
	}
}

func TestStartsAtTheExtremes(t *testing.T) {
	begun := time.Now()
	if n, reached, err := quality.StartsKnown(0.5, 0, 0.95); n != 0 || reached != 1 || err != nil {
		t.Errorf("nothing ordered: %d, %g, %v", n, reached, err)
	}
	if n, reached, err := quality.StartsKnown(1, 1e6, 0.95); n != 1e6 || reached != 1 || err != nil {
		t.Errorf("all good: %d, %g, %v", n, reached, err)
	}
	for _, p := range []float64{0, 1e-9, 1e-300} {
		if _, _, err := quality.StartsKnown(p, 10, 0.95); !errors.Is(err, quality.ErrNever) {
			t.Errorf("p %g: %v", p, err)
		}
	}
	// Normal approximation with its continuity correction: N/p + z sqrt(N(1-p))/p.
	for _, p := range []float64{0.999, 0.9, 0.5, 0.01} {
		n, _, err := quality.StartsKnown(p, 1e6, 0.95)
		want := 1e6/p + 1.644854*math.Sqrt(1e6*(1-p))/p
		if err != nil || math.Abs(float64(n)-want) > 3+2/p {
			t.Errorf("p %g, a million: %d, %v; about %.0f", p, n, err, want)
		}
	}
	if n, _, err := quality.Starts(0, 0, 1e6, quality.DefaultPrior(), 0.95); err != nil || n < 1e6 {
		t.Errorf("a million of unknown yield: %d, %v", n, err)
	}
	if n, _, err := quality.Starts(0, 0, 20, quality.Prior{Good: 1, Scrap: 1}, 0.95); err != nil || n != 399 { // 20/(n+1) <= 0.05
		t.Errorf("flat prior, first 20 parts: %d, %v", n, err)
	}
	for _, bad := range []float64{-0.1, 1.1, math.NaN()} {
		if _, _, err := quality.StartsKnown(bad, 10, 0.95); err == nil {
			t.Errorf("a yield of %g was taken", bad)
		}
		if _, _, err := quality.StartsKnown(0.9, 10, bad); err == nil {
			t.Errorf("a confidence of %g was taken", bad)
		}
	}
	for _, good := range []int64{-1, 1e6 + 1, math.MaxInt64} {
		if _, _, err := quality.StartsKnown(0.9, good, 0.95); err == nil {
			t.Errorf("an order of %d was taken", good)
		}
	}
	if spent := time.Since(begun); spent > 10*time.Second { // it takes under a second; builds with race detection more
		t.Errorf("the extremes took %v", spent)
	}
}

// When yields are as the prior believes, orders are filled as often as promised: 3000
// lots, for each a yield drawn, some parts seen, the plan made and carried out. The
// frequency is known within 0.4 %; it may only be above 0.95, as parts are whole.
// Were all yields 0.75 instead, worse than believed, the shortfall is bounded too.
func TestPlanFillsOrdersAsOftenAsPromised(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 9))
	const lots = 3000
	run := func(draw func() float64) float64 {
		filled := 0
		for range lots {
			p, seen := draw(), r.IntN(40)
			count := func(n int64) (good int64) {
				for range n {
					if r.Float64() < p {
						good++
					}
				}
				return good
			}
			good := count(int64(seen))
			missing := int64(5 + r.IntN(30))
			n, _, err := quality.Starts(good, int64(seen)-good, missing, quality.DefaultPrior(), 0.95)
			if err != nil {
				t.Fatal(err)
			}
			if count(n) >= missing {
				filled++
			}
		}
		return float64(filled) / lots
	}
	believed := run(func() float64 { return math.Pow(r.Float64(), 1.0/9) }) // Beta(9, 1)
	if believed < 0.95-4*0.004 || believed > 0.985 {
		t.Errorf("orders were filled in %.4f of the lots", believed)
	}
	if worse := run(func() float64 { return 0.75 }); worse < 0.75 || worse > 0.95 {
		t.Errorf("with a yield of 0.75, orders were filled in %.4f of the lots", worse)
	}
}

func TestPlanIsMonotone(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		good := rapid.Int64Range(1, 300).Draw(rt, "good")
		p := rapid.Float64Range(0.05, 0.99).Draw(rt, "p")
		at := func(p float64, good int64) int64 {
			n, reached, err := quality.StartsKnown(p, good, 0.95)
			if err != nil || n < good || reached < 0.95-1e-9 {
				rt.Fatalf("p %g, N %d: %d, %g, %v", p, good, n, reached, err)
			}
			return n
		}
		n := at(p, good)
		if at(p, good+1) <= n || at(p+0.01, good) > n {
			rt.Fatalf("p %g, N %d: %d, but for one more %d, and for a better yield %d", p, good, n, at(p, good+1), at(p+0.01, good))
		}
		if n > good && mathext.RegIncBeta(float64(good), float64(n-good), p) >= 0.95+1e-9 {
			rt.Fatalf("p %g, N %d: one start fewer than %d is enough", p, good, n)
		}
		seen, scrap := rapid.Int64Range(0, 200).Draw(rt, "seen"), rapid.Int64Range(0, 50).Draw(rt, "scrap")
		learned := func(seen, scrap int64) int64 {
			n, _, err := quality.Starts(seen, scrap, good, quality.DefaultPrior(), 0.95)
			if err != nil {
				rt.Fatal(err)
			}
			return n
		}
		if l := learned(seen, scrap); learned(seen, scrap+1) < l || learned(seen+1, scrap) > l {
			rt.Fatalf("%d good, %d scrap, N %d: %d, with more scrap %d, with more good %d", seen, scrap, good, l, learned(seen, scrap+1), learned(seen+1, scrap))
		}
	})
	// With very much seen, the learned yield is as good as known.
	learned, _, _ := quality.Starts(9e7, 1e7, 20, quality.DefaultPrior(), 0.95)
	if learned != 25 {
		t.Errorf("after a hundred million parts of yield 0.9: %d starts for 20", learned)
	}
}

func TestPlanCountsUnverifiedPartsAsOpen(t *testing.T) {
	prior := quality.DefaultPrior()
	looked, err := quality.PlanFor(quality.Order{Good: 40, Made: 30, Scrap: 3}, prior, 0.95)
	if err != nil || looked.GoodSoFar != 27 || looked.Cycles < 13 || looked.Probability < 0.95 {
		t.Fatalf("all looked at: %+v, %v", looked, err)
	}
	open, err := quality.PlanFor(quality.Order{Good: 40, Made: 30, Unverified: 30}, prior, 0.95)
	if err != nil || open.GoodSoFar != 0 || open.Seen != (quality.Interval{Low: 0, High: 1}) {
		t.Fatalf("none looked at: %+v, %v", open, err)
	}
	fresh, _ := quality.PlanFor(quality.Order{Good: 40}, prior, 0.95)
	if open.Cycles != fresh.Cycles-30 || open.Yield != fresh.Yield {
		t.Errorf("30 parts not looked at teach nothing and are 30 starts: %+v, from nothing %+v", open, fresh)
	}
	if done, err := quality.PlanFor(quality.Order{Good: 20, Made: 24, Scrap: 3}, prior, 0.95); err != nil || done.Cycles != 0 || done.Probability != 1 {
		t.Errorf("enough: %+v, %v", done, err)
	}
	if nearly, err := quality.PlanFor(quality.Order{Good: 20, Made: 24, Unverified: 24}, prior, 0.95); err != nil || nearly.Probability == 1 {
		t.Errorf("24 parts that nobody looked at are not 20 good ones for certain: %+v, %v", nearly, err)
	}
	if fresh.Assumed != true || looked.Assumed {
		t.Errorf("assumed: %+v, %+v", fresh, looked)
	}
	// 2 good and 4 scrap count against nine in ten: (2+0.5)/(6+1) is left, and not 11/16.
	if p, err := quality.PlanFor(quality.Order{Good: 40, Made: 6, Scrap: 4}, prior, 0.95); err != nil || p.Assumed || math.Abs(p.Yield-2.5/7) > 1e-12 || p.Cycles < 120 {
		t.Errorf("surprising scrap: %+v, %v", p, err)
	}
	// More parts not looked at than needed: the certainty is that of all of them. By
	// hand, yield 0.9, 2 of 3: 0.972; 1 of 3: 0.999.
	for good, want := range map[int64]float64{2: 0.972, 1: 0.999} {
		p, err := quality.PlanKnown(quality.Order{Good: good, Made: 3, Unverified: 3}, 0.9, 0.95)
		if err != nil || p.Cycles != 0 {
			t.Errorf("%d of 3: %+v, %v", good, p, err)
		}
		near(t, "certainty", p.Probability, want, 1e-9)
	}
	if p, err := quality.PlanKnown(quality.Order{Good: 20, Made: 4, Scrap: 1, Unverified: 1}, 0.9, 0.95); err != nil || p.GoodSoFar != 2 || p.Cycles != 22 {
		t.Errorf("18 more at 0.9 take 23 starts, one of which is made (recomputed): %+v, %v", p, err)
	}
	for _, o := range []quality.Order{{Good: -1}, {Good: 5, Made: 3, Scrap: 4}, {Good: 5, Made: -1}, {Good: 5, Made: 5, Scrap: 3, Unverified: 3},
		{Good: 5, Made: 5, Scrap: -1}, {Good: 5, Made: 5, Unverified: -1}, {Good: 5, Made: 5, Scrap: 3, Unverified: math.MaxInt64}} {
		if p, err := quality.PlanFor(o, prior, 0.95); err == nil {
			t.Errorf("%+v gave %+v", o, p)
		}
	}
}

// What is believed while a plan is assumed has the plan's yield as its mean; once it is not, the
// default prior has no part in it. Parts not looked at are in neither.
func TestBelievedYield(t *testing.T) {
	o := quality.Order{Good: 40, Made: 12, Scrap: 2, Unverified: 3}
	p, err := quality.PlanFor(o, quality.DefaultPrior(), 0.95)
	if b := o.Posterior(quality.DefaultPrior(), true); err != nil || !p.Assumed || math.Abs(b.Good/(b.Good+b.Scrap)-p.Yield) > 1e-12 {
		t.Errorf("believed %+v, planned with %+v (%v)", b, p, err)
	}
	if b, want := o.Posterior(quality.DefaultPrior(), false), (quality.Prior{Good: 7.5, Scrap: 2.5}); b != want {
		t.Errorf("by what was seen alone %+v, want %+v", b, want)
	}
}
