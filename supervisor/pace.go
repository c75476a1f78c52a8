package supervisor

import (
	"math"
	"time"

	"beltwarden/supervisor/distribution"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// pace foretells how long the next cycles take. What a cycle takes beyond nine tenths of
// its planned printing is its wait: heating, cooling, moving off, and what the plan is
// wrong by. The logarithm of the wait is followed by a local level model (Durbin and
// Koopman, Time Series Analysis by State Space Methods, 2.1): the level wanders from cycle
// to cycle, and each wait scatters about it. How much it wanders and scatters is not
// known; every pair of paceWander and paceNoise is followed, and weighted by how well it
// has foretold the waits so far. It is a plain value, and begins with
// [pace.begin].
type pace struct {
	n        int     // cycles taken in
	travelMM float64 // belt travel of those that were not the first of a run, or of the first
	later    int     // how many these are
	shares   [len(paceNoise) * len(paceWander)]paceShare
}

// paceShare is one pair of wander and noise.
type paceShare struct {
	noise, wander    float64
	meanLn, variance float64 // of the level, ln seconds
	weight           float64
}

// Standard deviations by logarithm: 0.01 is one per cent. They span a machine in a
// cellar and one beside a door that people use.
var (
	paceNoise  = [...]float64{0.01, 0.03, 0.08, 0.2}
	paceWander = [...]float64{0.004, 0.012, 0.035, 0.1}
	// What is thought of each before any cycle was seen (common practice, no source).
	paceNoisePrior  = [...]float64{0.42, 0.42, 0.15, 0.01}
	paceWanderPrior = [...]float64{0.33, 0.42, 0.24, 0.01}
)

// A room that warms goes on warming, where a random walk would turn: what is ahead has
// paceTrend times its standard deviation. What has warmed by day cools again by night,
// after some paceDay cycles. Both are set so that TestVisitTimes holds.
const (
	paceTrend = 1.42
	paceDay   = 40
)

const (
	// pacePlanned is the share of the planned printing that is taken for certain.
	pacePlanned = 0.9
	// A cycle that begins warm, as after a lead-in, lacks the heating: how much that is of
	// its wait is not known (common practice, no source).
	warmLn, warmSD = 0.3, 0.09
	// leastWait keeps a wait positive where the plan was too long.
	leastWait = time.Second
)

// paceWait is what is known of a cycle's wait before any was seen: a median, and the
// standard deviation of its logarithm. unseen: heating or cooling is in it and no more
// than a guess.
type paceWait struct {
	median time.Duration
	sd     float64
	unseen bool
}

// Before any heater was seen a bed is thought to take a quarter of an hour to cool and
// warm again, and 3.5 to 65 minutes with 95 % certainty; moving off half a minute. What
// was learned of the heaters foretells it to a third. Common practice, no source.
const (
	unseenWait = 15 * time.Minute
	unseenSD   = 0.75
	moveOff    = 30 * time.Second
	learnedSD  = 0.3
	noWaitSD   = 0.5
)

// waitBefore is what is known of the wait of a part's cycle before one was seen.
func (m *Machine) waitBefore(p *job.Plan) paceWait {
	if p == nil {
		return paceWait{unseenWait, unseenSD, true}
	}
	rest := moveOff + time.Duration((1-pacePlanned)*float64(p.Duration))
	times := p.HeatTimes(m.heaters(), m.set.ReleaseC, m.set.NozzleStandbyC)
	switch {
	case m.set.ReleaseC <= 0 || p.End.BedTargetC <= m.set.ReleaseC:
		return paceWait{rest, noWaitSD, false}
	case times.Cool != nil && times.Reheat != nil:
		return paceWait{rest + *times.Cool + *times.Reheat, learnedSD, false}
	}
	return paceWait{rest + unseenWait, unseenSD, true}
}

// foretold returns the pace of the lot, and whether its waits are no more than a guess.
func (m *Machine) foretold() (p pace, unseen bool) {
	p = m.lot.pace
	if p.n > 0 {
		return p, false
	}
	var plan *job.Plan
	if k := m.lot.next(); k >= 0 {
		plan = m.lot.plans[k]
	}
	w := m.waitBefore(plan)
	p.begin(w)
	return p, w.unseen
}

// paced takes in a cycle that has ended.
func (m *Machine) paced(c *cycle) {
	plan := c.lot.plans[c.job]
	if c.lot.pace.n == 0 {
		c.lot.pace.begin(m.waitBefore(plan))
	}
	var planned time.Duration
	if plan != nil {
		planned = plan.Duration
	}
	took, warm := m.now.Sub(c.begun), c.warm
	if d, known := m.reheat(plan, &c.lot.pace); warm && known {
		took, warm = took+d, false
	}
	c.lot.pace.add(took, planned, warm)
	c.lot.pace.travelled(m.belt.latest.TravelMM-c.startTravelMM, c.first)
}

// elapsed is how much of the next cycle has gone by, had it begun cold: negative while the
// heating that comes before it takes longer than that of a cycle.
func (m *Machine) elapsed(p *pace) time.Duration {
	switch c := m.cycle; {
	case c != nil && !c.fromLedger && c.warm:
		d, _ := m.reheat(c.lot.plans[c.job], p)
		return m.now.Sub(c.begun) + d
	case c != nil && !c.fromLedger:
		return m.now.Sub(c.begun)
	case m.state == Starting, m.state == Unholding, m.state == Unsuspending:
		if k := m.lot.next(); k >= 0 && m.lot.plans[k] != nil {
			d, _ := m.reheat(m.lot.plans[k], p)
			return d - m.heatingLeft(m.lot.plans[k], p)
		}
	}
	return 0
}

// reheat is how much of a cycle's wait one that begins hot lacks, and whether the heaters
// are known or it is a guess.
func (m *Machine) reheat(plan *job.Plan, p *pace) (d time.Duration, known bool) {
	if plan != nil {
		if d := plan.HeatTimes(m.heaters(), m.set.ReleaseC, m.set.NozzleStandbyC).Reheat; d != nil {
			return *d, true
		}
	}
	return p.heating(), false
}

// heatingLeft is how long the heating in progress still takes, by the newest readings where
// the heaters are known.
func (m *Machine) heatingLeft(plan *job.Plan, p *pace) time.Duration {
	h := m.heaters()
	if m.heat.hasNozzle && m.heat.hasBed {
		if d := plan.HeatUp(h, m.heat.nozzleC, m.heat.bedC); d != nil {
			return *d
		}
	}
	all := p.heating()
	if m.state == Starting {
		all = unseenWait / 2
		if d := plan.HeatTimes(h, m.set.ReleaseC, m.set.NozzleStandbyC).HeatUp; d != nil {
			all = *d
		}
	}
	return max(0, all-m.now.Sub(m.since))
}

// planned is how long the printing of the next k parts is planned to take.
func (l *lot) planned(k int) time.Duration {
	var all time.Duration
	wanted := max(1, l.wanted())
	for i, j := range l.jobs {
		if l.plans[i] == nil {
			continue
		}
		n := float64(j.wanted()) * min(1, float64(k)/float64(wanted)) // in turn
		if l.Order != ledger.OrderTurn {
			n = float64(min(j.wanted(), k))
			k -= int(n)
		}
		all += time.Duration(n * float64(l.plans[i].Duration))
	}
	return all
}

// begin sets what is known beforehand.
func (p *pace) begin(w paceWait) {
	level := math.Log(max(w.median, leastWait).Seconds())
	for i, noise := range paceNoise {
		for j, wander := range paceWander {
			p.shares[i*len(paceWander)+j] = paceShare{noise: noise, wander: wander, meanLn: level, variance: w.sd * w.sd,
				weight: paceNoisePrior[i] * paceWanderPrior[j]}
		}
	}
}

// add takes in a cycle of a part whose printing was planned to take so long.
func (p *pace) add(took, planned time.Duration, warm bool) {
	p.n++
	y := math.Log(max(took-time.Duration(pacePlanned*float64(planned)), leastWait).Seconds())
	extra := 0.0
	if warm {
		y, extra = y+warmLn, warmSD
	}
	total := 0.0
	for i := range p.shares {
		s := &p.shares[i]
		if p.n > 1 {
			s.variance += s.wander * s.wander
		}
		v := s.variance + s.noise*s.noise + extra*extra
		d := y - s.meanLn
		s.weight *= distribution.NormalDensity(d/math.Sqrt(v)) / math.Sqrt(v)
		gain := s.variance / v
		s.meanLn += gain * d
		s.variance *= 1 - gain
		total += s.weight
	}
	for i := range p.shares {
		if total > 0 {
			p.shares[i].weight /= total
		} else {
			p.shares[i].weight = 1 / float64(len(p.shares)) // far from all that was foretold
		}
	}
}

// travelled takes in the belt travel of a cycle. The first of a run may begin further on.
func (p *pace) travelled(mm float64, first bool) {
	switch {
	case !first:
		if p.later == 0 {
			p.travelMM = 0
		}
		p.later++
		p.travelMM += mm
	case p.later == 0:
		p.travelMM = mm
	}
}

// meanTravelMM is the belt travel of a cycle as seen; 0 before the first.
func (p *pace) meanTravelMM() float64 { return p.travelMM / float64(max(1, p.later)) }

// heating is the share of a cycle's wait that is guessed to be heating.
func (p *pace) heating() time.Duration {
	ln := 0.0
	for _, s := range p.shares {
		ln += s.weight * s.meanLn
	}
	return time.Duration((1 - math.Exp(-warmLn)) * math.Exp(ln) * float64(time.Second))
}

// wait returns the quantile q of the mean wait over the next k cycles, given that the
// mean is above least.
func (p *pace) wait(q float64, k int, least time.Duration) time.Duration {
	n, trend := float64(max(1, k)), 1.0
	if p.n > 0 {
		trend = paceTrend
	}
	// The mean of a random walk over its next steps has this many times the variance of one
	// (sum of squares over their square); a room that has warmed by day cools again by night.
	steps := n / (1 + n/paceDay)
	walk := (steps + 1) * (2*steps + 1) / (6 * steps)
	var sd [len(p.shares)]float64
	low, high, at := math.Inf(1), math.Inf(-1), 0.0
	for i, s := range p.shares {
		sd[i] = trend * math.Sqrt(s.variance+s.wander*s.wander*walk+s.noise*s.noise/n)
		low, high = min(low, s.meanLn-mostSD*sd[i]), max(high, s.meanLn+mostSD*sd[i])
		at += s.weight * s.meanLn
	}
	below := func(ln float64) (sum, density float64) {
		for i, s := range p.shares {
			if s.weight > leastWeight {
				z := (ln - s.meanLn) / sd[i]
				sum += s.weight * distribution.NormalBelow(z)
				density += s.weight * distribution.NormalDensity(z) / sd[i]
			}
		}
		return sum, density
	}
	if least > leastWait {
		low = math.Log(least.Seconds())
		sum, _ := below(low)
		q += (1 - q) * sum
		high, at = max(high, low+1), max(at, low)
	}
	// Newton's steps, kept between two bounds: each snapshot asks for dozens of these.
	for range 60 {
		sum, density := below(at)
		if sum < q {
			low = at
		} else {
			high = at
		}
		next := at - (sum-q)/density
		if !(next > low && next < high) {
			next = (low + high) / 2
		}
		if math.Abs(next-at) < 1e-9 {
			break
		}
		at = next
	}
	return time.Duration(math.Exp(at) * float64(time.Second))
}

// Quantiles are sought within so many standard deviations, among shares that weigh enough
// to be seen in them.
const (
	mostSD      = 8
	leastWeight = 1e-9
)

// takes returns the quantile q of the time that the next k cycles take, whose printing was
// planned to take so long together. elapsed is how long the first of them has run.
func (p *pace) takes(q float64, k int, planned, elapsed time.Duration) time.Duration {
	if k < 1 {
		return 0
	}
	sure := time.Duration(pacePlanned * float64(planned))
	var least, rest time.Duration
	switch over := elapsed - sure/time.Duration(k); {
	case over <= 0:
	case k == 1 || p.n == 0:
		least = over // before any was seen, what the first takes is what all take
	case over > p.wait(0.5, 1, 0):
		rest = p.takes(q, k-1, planned-planned/time.Duration(k), 0) // it is overdue, and no other is begun
	}
	return max(rest, sure+time.Duration(k)*p.wait(q, k, least)-elapsed)
}
