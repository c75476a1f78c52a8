package pace

import (
	"math"
	"time"

	"beltwarden/supervisor/distribution"
)

// Interval is an estimate of a time from now: it lies between Low and High with 95 % probability,
// and is as likely above Median as below.
type Interval struct{ Low, Median, High time.Duration }

// Takes returns how long it takes until the next k cycles have ended, whose planned printing times
// sum to planned. The first began elapsed ago; elapsed is negative while heating is to come that
// takes longer than that of a cycle.
func (m *Model) Takes(k int, now time.Time, planned, elapsed time.Duration) Interval {
	return m.takes(k, m.since(now)-elapsed, planned, elapsed)
}

// takes is Takes for a first cycle that begins from after the first cycle of all.
func (m *Model) takes(k int, from, planned, elapsed time.Duration) Interval {
	if k < 1 {
		return Interval{}
	}
	certain := m.certain(planned)
	one := certain / time.Duration(k)
	each := one + m.medianWait()
	var least time.Duration
	var rest Interval
	switch over := elapsed - one; {
	case over <= 0:
	case k == 1 || m.n == 0:
		least = over // before any has ended, all take as long as the first
	case elapsed > each:
		rest = m.takes(k-1, from+elapsed, planned-planned/time.Duration(k), 0) // it is overdue, and no other has begun
	}
	var a outlook
	m.fillOutlook(&a, k, from, each, least)
	at := func(q float64) time.Duration { return certain + time.Duration(k)*a.wait(q) - elapsed }
	return Interval{max(rest.Low, at(0.025)), max(rest.Median, at(0.5)), max(rest.High, at(0.975))}
}

// Next returns the median length of a cycle that begins now with this planned printing time.
func (m *Model) Next(now time.Time, planned time.Duration) time.Duration {
	certain := m.certain(planned)
	var a outlook
	m.fillOutlook(&a, 1, m.since(now), certain+m.medianWait(), 0)
	return max(0, certain+a.wait(0.5))
}

// outlook is the distribution of the mean wait of some cycles to come: a mixture of normals of its
// logarithm, for each case with enough weight, with and without a jump.
type outlook struct {
	least float64 // ln seconds: the mean wait is known to be longer
	n     int
	cases [2 * len(Model{}.cases)]struct{ weight, mean, sd float64 }
}

// fillOutlook fills in the outlook on the next k cycles, each of length each, of which the first
// begins from after the first cycle of all. Their mean wait is known to exceed least. The caller
// provides the outlook: each snapshot needs a dozen, and none may cost an allocation.
func (m *Model) fillOutlook(a *outlook, k int, from, each, least time.Duration) {
	a.n, a.least = 0, math.Inf(-1)
	seen := minWeight
	if least > minWait {
		a.least, seen = math.Log(least.Seconds()), 0 // the wait may be far from usual
	}
	n := float64(k)
	h := parts(from, each, k)
	// The mean of a random walk over its next steps has this many times the variance of one:
	// sum of squares over their square.
	walk := (n + 1) * (2*n + 1) / (6 * n)
	for i := range m.cases {
		s := &m.cases[i]
		if s.weight > seen {
			mean, variance, _ := s.predict(&h)
			variance += s.wander*s.wander*walk + s.noise*s.noise/n
			jumps := 0.0
			if s.jump > 0 { // at any of the cycles; a second jump goes back
				jumps = jumping(time.Duration(k) * each)
				a.put(s.weight*jumps, mean, variance+s.jump*s.jump*walk/n)
			}
			a.put(s.weight*(1-jumps), mean, variance)
		}
	}
}

func (a *outlook) put(weight, mean, variance float64) {
	c := &a.cases[a.n]
	c.weight, c.mean, c.sd = weight, mean, math.Sqrt(variance)
	a.n++
}

// below returns the share of the cases below a logarithm, and the density there.
func (a *outlook) below(ln float64) (sum, density float64) {
	for i := range a.cases[:a.n] {
		c := &a.cases[i]
		z := (ln - c.mean) / c.sd
		sum += c.weight * distribution.NormalBelow(z)
		density += c.weight * distribution.NormalDensity(z) / c.sd
	}
	return sum, density
}

// maxSD is the range, in standard deviations, in which a quantile is searched.
const maxSD = 8

// wait returns the quantile q of the mean wait.
func (a *outlook) wait(q float64) time.Duration {
	low, high, at, all := math.Inf(1), math.Inf(-1), 0.0, 0.0
	for i := range a.cases[:a.n] {
		c := &a.cases[i]
		low, high = min(low, c.mean-maxSD*c.sd), max(high, c.mean+maxSD*c.sd)
		at += c.weight * c.mean
		all += c.weight
	}
	at /= all
	gone := 0.0
	if a.least > low {
		low = a.least
		gone, _ = a.below(low)
		high, at = max(high, low+1), max(at, low)
	}
	q = gone + q*(all-gone)
	// Newton's method within bounds: each snapshot computes dozens of these.
	for range 60 {
		sum, density := a.below(at)
		if sum < q {
			low = at
		} else {
			high = at
		}
		next := at - (sum-q)/density
		if !(next > low && next < high) {
			next = (low + high) / 2
		}
		if math.Abs(next-at) < 1e-6 {
			break
		}
		at = next
	}
	return time.Duration(math.Exp(at) * float64(time.Second))
}
