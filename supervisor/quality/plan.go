package quality

import (
	"errors"
	"fmt"
	"math"
)

// ErrNever: no number of cycles is enough.
var ErrNever = errors.New("no number of cycles is enough")

// maxStarts bounds a plan for one machine.
const maxStarts = int64(1e9)

// MaxOrdered bounds the parts of one order.
const MaxOrdered = int64(1e6)

// slack is how far, relatively, the risk may exceed its bound, for rounding of the logarithms. At p
// = 0.95 one start reaches exactly 0.95.
const slack = 1e-9

// Prior is the belief about the yield before any part was looked at, as counts of good parts and
// scrap. Both are above 0.
type Prior struct{ Good, Scrap float64 }

// DefaultPrior weighs as much as ten parts, nine of them good: that a set-up machine
// loses about one part in ten is common practice, no source. A flat prior would ask
// for 399 starts for the first 20 parts, which no one would make; after a hundred
// parts looked at, this one has a weight of a tenth.
func DefaultPrior() Prior { return Prior{Good: 9, Scrap: 1} }

// startsKnown is the smallest number of starts, at least least, after which there are enough good
// parts with the given confidence, each being good with probability p, and the probability reached.
func startsKnown(p float64, good, least int64, confidence float64) (starts int64, probability float64, err error) {
	if !(p >= 0 && p <= 1) {
		return 0, 0, fmt.Errorf("cannot plan cycles: a yield of %g is not between 0 and 1", p)
	}
	if err := checkOrder(good, confidence); err != nil || good <= 0 {
		return 0, 1, err
	}
	switch p {
	case 0:
		return 0, 0, fmt.Errorf("cannot plan cycles: %w: every part is scrap", ErrNever)
	case 1:
		return max(good, least), 1, nil
	}
	return smallest(max(good, least), confidence, func(n int64) float64 {
		odds := (1 - p) / p
		k := good - 1
		first := logChoose(n, k) + float64(k)*math.Log(p) + float64(n-k)*math.Log1p(-p)
		return sumDown(first, k, func(k float64) float64 { return k * odds / (float64(n) - k + 1) })
	})
}

// learnedStarts is startsKnown for a yield learned from parts looked at: the number of good ones
// among n more follows the beta-binomial distribution.
func learnedStarts(seenGood, seenScrap, good, least int64, prior Prior, confidence float64) (starts int64, probability float64, err error) {
	if seenGood < 0 || seenScrap < 0 || !(prior.Good > 0) || !(prior.Scrap > 0) || !usable(prior.Good) || !usable(prior.Scrap) {
		return 0, 0, fmt.Errorf("cannot plan cycles: %d good, %d scrap and a prior of %g and %g are not possible", seenGood, seenScrap, prior.Good, prior.Scrap)
	}
	if err := checkOrder(good, confidence); err != nil || good <= 0 {
		return 0, 1, err
	}
	a, b := prior.Good+float64(seenGood), prior.Scrap+float64(seenScrap)
	return smallest(max(good, least), confidence, func(n int64) float64 {
		k, size := float64(good-1), float64(n)
		first := logChoose(n, good-1) + logBeta(k+a, size-k+b) - logBeta(a, b)
		return sumDown(first, good-1, func(k float64) float64 {
			return k * (size - k + b) / ((size - k + 1) * (k - 1 + a))
		})
	})
}

func checkOrder(good int64, confidence float64) error {
	if good < 0 || good > MaxOrdered {
		return fmt.Errorf("cannot plan cycles: %d good parts are not among 0 to %d", good, MaxOrdered)
	}
	if !between(confidence) {
		return fmt.Errorf("cannot plan cycles: a confidence of %g is not between 0 and 1", confidence)
	}
	return nil
}

// smallest finds the smallest n, at least least, at which the risk of fewer good parts is small
// enough. The risk falls with n.
func smallest(least int64, confidence float64, risk func(n int64) float64) (int64, float64, error) {
	bound := (1 - confidence) * (1 + slack)
	enough := func(n int64) bool { return risk(n) <= bound }
	low, high := least-1, least
	for step := int64(1); !enough(high); step *= 2 {
		if high >= maxStarts {
			return 0, 0, fmt.Errorf("cannot plan cycles: %w up to %d: lower the confidence, or find why parts fail", ErrNever, maxStarts)
		}
		low, high = high, min(maxStarts, high+step)
	}
	for high-low > 1 {
		middle := low + (high-low)/2
		if enough(middle) {
			high = middle
		} else {
			low = middle
		}
	}
	return high, 1 - risk(high), nil
}

// sumDown sums probabilities from k down to 0: the first by its logarithm, each
// further by its ratio to the one above it. It sums relative to the first, as that
// may be too small for a float64 where the sum is not.
func sumDown(first float64, k int64, ratio func(k float64) float64) float64 {
	term, sum, scale := 1.0, 1.0, 0.0
	for ; k > 0; k-- {
		r := ratio(float64(k))
		term *= r
		sum += term
		if r < 1 && term < 1e-18*sum*(1-r) {
			break // the rest is a decreasing geometric series
		}
		if sum > 1e200 {
			term, sum, scale = term/1e200, sum/1e200, scale+200*math.Ln10
		}
	}
	return math.Min(1, math.Exp(first+scale+math.Log(sum)))
}

func logChoose(n, k int64) float64 {
	return lgamma(float64(n)+1) - lgamma(float64(k)+1) - lgamma(float64(n-k)+1)
}

func logBeta(a, b float64) float64 { return lgamma(a) + lgamma(b) - lgamma(a+b) }

func lgamma(v float64) float64 {
	l, _ := math.Lgamma(v)
	return l
}

// Order is the progress of an order.
type Order struct {
	Good       int64 // good parts ordered
	Made       int64 // parts made so far
	Scrap      int64 // of them found bad
	Unverified int64 // of them not looked at yet
}

// Plan is the rest of an order.
type Plan struct {
	Cycles      int64   // to start still
	Probability float64 // that the ordered good parts are then there
	GoodSoFar   int64   // looked at and good
	Unverified  int64   // made, and good or not: their outcome is as open as that of a cycle to come
	Yield       float64 // expected fraction of good parts, the prior included
	// Assumed: the yield is still the prior's rather than the observed one, and the plan depends on
	// it.
	Assumed bool
	// Seen is the 95 % Wilson interval of the yield of parts looked at; 0 to 1 for none.
	Seen Interval
}

// minLookedAt is the number of parts looked at below which a plan may rest on the prior.
const minLookedAt = 10

// jeffreys is the prior where only observed parts count: half a part to either side.
var jeffreys = Prior{0.5, 0.5}

// PlanFor returns how many cycles an order still needs, its yield learned from the parts looked at.
// Parts not looked at never count as good: their outcome is open, like that of further cycles. Once
// ten parts were looked at, or fewer contradict the prior, the plan must also suffice by the
// observed parts alone (with Jeffreys' prior, half a part to either side), so that surprising scrap
// is not averaged away.
func PlanFor(o Order, prior Prior, confidence float64) (Plan, error) {
	p, err := o.sofar(confidence)
	if err != nil {
		return Plan{}, err
	}
	a, b := prior.Good+float64(p.GoodSoFar), prior.Scrap+float64(o.Scrap)
	p.Yield = a / (a + b)
	missing := max(0, o.Good-p.GoodSoFar)
	starts, probability, err := learnedStarts(p.GoodSoFar, o.Scrap, missing, o.Unverified, prior, confidence)
	if err != nil {
		return Plan{}, err
	}
	p.Assumed = p.GoodSoFar+o.Scrap < minLookedAt && p.Seen.High >= prior.Good/(prior.Good+prior.Scrap)
	if seen := jeffreys; !p.Assumed {
		more, reached, err := learnedStarts(p.GoodSoFar, o.Scrap, missing, o.Unverified, seen, confidence)
		if err != nil {
			return Plan{}, err
		}
		if more > starts {
			starts, probability = more, reached
			p.Yield = (seen.Good + float64(p.GoodSoFar)) / (seen.Good + seen.Scrap + float64(p.GoodSoFar+o.Scrap))
		}
	}
	p.Cycles, p.Probability = max(0, starts-o.Unverified), probability
	return p, nil
}

// Posterior is the distribution of the yield after parts were looked at: a beta distribution on top
// of the prior while the plan is assumed, otherwise from the observed parts alone.
func (o Order) Posterior(prior Prior, assumed bool) Prior {
	if !assumed {
		prior = jeffreys
	}
	return Prior{prior.Good + float64(o.Made-o.Scrap-o.Unverified), prior.Scrap + float64(o.Scrap)}
}

// PlanKnown is PlanFor with a known yield.
func PlanKnown(o Order, yield, confidence float64) (Plan, error) {
	p, err := o.sofar(confidence)
	if err != nil {
		return Plan{}, err
	}
	p.Yield = yield
	starts, probability, err := startsKnown(yield, max(0, o.Good-p.GoodSoFar), o.Unverified, confidence)
	if err != nil {
		return Plan{}, err
	}
	p.Cycles, p.Probability = max(0, starts-o.Unverified), probability
	return p, nil
}

// sofar is the part of a plan that follows from the counts alone.
func (o Order) sofar(confidence float64) (Plan, error) {
	if o.Made < 0 || o.Scrap < 0 || o.Unverified < 0 || o.Scrap > o.Made || o.Unverified > o.Made-o.Scrap {
		return Plan{}, fmt.Errorf("cannot plan cycles: %d scrap and %d not looked at of %d made are not possible", o.Scrap, o.Unverified, o.Made)
	}
	if err := checkOrder(o.Good, confidence); err != nil {
		return Plan{}, err
	}
	p := Plan{GoodSoFar: o.Made - o.Scrap - o.Unverified, Unverified: o.Unverified, Seen: Interval{0, 1}}
	if seen := p.GoodSoFar + o.Scrap; seen > 0 {
		p.Seen, _ = Wilson(p.GoodSoFar, seen, 0.95) // cannot fail: counts are checked above
	}
	return p, nil
}
