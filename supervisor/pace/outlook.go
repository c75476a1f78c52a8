package pace

import (
	"math"
	"time"

	"beltwarden/supervisor/distribution"
)

// Interval is an estimate of a time from now on: it lies between Low and High with 95 %
// probability, and above Median as likely as below.
type Interval struct{ Low, Median, High time.Duration }

// Takes returns how long it is until the next k cycles have ended, whose printing together was
// planned to take so long. The first of them began elapsed ago; elapsed is negative while
// heating is to come that takes longer than that of a cycle.
func (m *Model) Takes(k int, now time.Time, planned, elapsed time.Duration) Interval {
	return m.takes(k, m.since(now)-elapsed, planned, elapsed)
}

// takes is the same for a first cycle that begins, or began, so long after the first of all.
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
		least = over // before any was seen, what the first takes is what all take
	case elapsed > each:
		rest = m.takes(k-1, from+elapsed, planned-planned/time.Duration(k), 0) // it is overdue, and no other has begun
	}
	var a outlook
	m.fillOutlook(&a, k, from, each, least)
	at := func(q float64) time.Duration { return certain + time.Duration(k)*a.wait(q) - elapsed }
	return Interval{max(rest.Low, at(0.025)), max(rest.Median, at(0.5)), max(rest.High, at(0.975))}
}

// Next returns the median of what a cycle takes that begins now, and whose printing was
// planned to take so long.
func (m *Model) Next(now time.Time, planned time.Duration) time.Duration {
	certain := m.certain(planned)
	var a outlook
	m.fillOutlook(&a, 1, m.since(now), certain+m.medianWait(), 0)
	return max(0, certain+a.wait(0.5))
}

// outlook is the distribution of the mean wait of some cycles to come: a mixture of normals
// of its logarithm, of each case that weighs enough to be seen, with and without a jump.
type outlook struct {
	least float64 // ln seconds: the mean wait is known to be longer
	n     int
	cases [2 * len(Model{}.cases)]struct{ weight, mean, sd float64 }
}

// fillOutlook fills in the outlook on the next k cycles, each some length, the first of which begins
// so long after the first of all; their mean wait is known to be above least. The caller has
// room for the outlook: each snapshot looks a dozen times, and none is to cost an allocation.
func (m *Model) fillOutlook(a *outlook, k int, from, each, least time.Duration) {
	a.n, a.least = 0, math.Inf(-1)
	seen := minWeight
	if least > minWait {
		a.least, seen = math.Log(least.Seconds()), 0 // it may be far from what is usual
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
			if s.jump > 0 { // at any of the cycles; back again, if it jumps twice
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

// below returns the share of the cases below a logarithm, and its density there.
func (a *outlook) below(ln float64) (sum, density float64) {
	for i := range a.cases[:a.n] {
		c := &a.cases[i]
		z := (ln - c.mean) / c.sd
		sum += c.weight * distribution.NormalBelow(z)
		density += c.weight * distribution.NormalDensity(z) / c.sd
	}
	return sum, density
}

// maxSD is within how many standard deviations a quantile is sought.
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
	// Newton's steps, kept between two bounds: each snapshot asks for dozens of these.
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
