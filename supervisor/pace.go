package supervisor

import (
	"math"
	"time"

	"beltwarden/supervisor/distribution"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// pace foretells how long the next cycles take. What a cycle takes beyond nine tenths of
// its planned printing is its wait: heating, cooling, moving off, and what the plan is
// wrong by. The logarithm of the wait is followed by a structural model (Harvey 1989,
// Forecasting, Structural Time Series Models and the Kalman Filter, 2.3): a level that
// wanders from cycle to cycle or jumps now and then, as when the heating of the room is
// switched, a swing by the time of day, since the room has one, and scatter. How large each
// is, is not known; a filter is kept for every case of paceNoise, paceWander and paceSwing,
// and weighted by how well it has foretold the waits so far. It is a plain value, and begins
// with [pace.begin].
type pace struct {
	kind     paceKind  // what was known beforehand
	n        int       // cycles taken in
	whole    bool      // the plan is too long for this machine: all of a cycle is its wait
	began    time.Time // the first
	travelMM float64   // belt travel of those that were not the first of a run, or of the first
	later    int       // how many these are
	cases    [len(paceNoise) * len(paceWander) * len(paceSwing)]paceCase
}

// paceCase is one case: how large each part is, and what it makes of the waits seen. The
// state is the level, then cosine and sine of the day and of half a day, counted from the
// first cycle, and by how much a cycle that begins warm waits less.
type paceCase struct {
	noise, wander, jump float64
	mean                [paceParts]float64 // ln seconds
	cov                 [paceParts][paceParts]float64
	weight              float64
}

// Standard deviations by logarithm: 0.01 is one per cent. They span a machine in a
// cellar and one beside a door that people use.
var (
	paceNoise  = [...]float64{0.003, 0.011, 0.04, 0.15}
	paceWander = [...]float64{0.0015, 0.008, 0.03, 0.003}
	paceJump   = [...]float64{0, 0, 0, 0.12}
	paceSwing  = [...]float64{0.01, 0.04, 0.12}
	// What is thought of each before any cycle was seen on a machine: about what cycles
	// showed on the machines that TestVisitTimes was tuned on, and that the level jumps in a
	// room out of four (common practice, no source).
	paceNoisePrior  = [...]float64{0.56, 0.31, 0.1, 0.03}
	paceWanderPrior = [...]float64{0.36, 0.31, 0.08, 0.25}
	paceSwingPrior  = [...]float64{0.62, 0.26, 0.12}
)

const (
	paceParts = 6
	lacking   = paceParts - 1 // the last
	// jumpEvery: the heating of a room is switched on and off once a day (common practice,
	// no source).
	jumpEvery = 12 * time.Hour
	// paceTwice is how large the swing of half a day is beside that of the day: towards the
	// room's temperature cooling takes longer than in proportion (common practice, no source).
	paceTwice = 0.35
	// pacePlanned is the share of the planned printing that is taken for certain.
	pacePlanned = 0.9
	// A cycle that begins warm, as after a lead-in, lacks the heating: how much that is of
	// its wait is not known (common practice, no source).
	lacksLn, lacksSD = 0.3, 0.14
	// leastWait keeps a logarithm finite.
	leastWait = time.Millisecond
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
		return learnedWait(rest, *times.Cool, *times.Reheat)
	}
	return paceWait{rest + unseenWait, unseenSD, true}
}

// learnedWait is a wait of heaters that are known.
func learnedWait(rest time.Duration, cool heat.Wait, reheat time.Duration) paceWait {
	low, high := rest+reheat+cool.Low, rest+reheat+cool.High
	sd := math.Log(float64(high)/float64(max(low, leastWait))) / 4 // four standard deviations lie between bounds
	return paceWait{rest + reheat + cool.Mid, max(learnedSD, sd), false}
}

// foretold returns the pace of the lot, and whether its waits are no more than a guess.
func (m *Machine) foretold() (p *pace, unseen bool) {
	p = &m.lot.pace
	if p.n > 0 {
		return p, false
	}
	var plan *job.Plan
	if k := m.lot.next(); k >= 0 {
		plan = m.lot.plans[k]
	}
	w := m.waitBefore(plan)
	p.begin(w, m.paceKind)
	return p, w.unseen
}

// paced takes in a cycle that has ended.
func (m *Machine) paced(c *cycle) {
	plan := c.lot.plans[c.job]
	if c.lot.pace.n == 0 {
		c.lot.pace.begin(m.waitBefore(plan), m.paceKind)
		c.lot.pace.began = c.begun
	}
	var planned time.Duration
	if plan != nil {
		planned = plan.Duration
	}
	took, warm := m.now.Sub(c.begun), c.warm
	if d, known := m.reheat(plan, &c.lot.pace); warm && known {
		took, warm = took+d, false
	}
	c.lot.pace.add(c.lot.pace.until(m.now), took, planned, warm)
	m.learnKind(c.lot)
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

// begin sets what is known beforehand: of the wait, and of machine and room.
func (p *pace) begin(w paceWait, kind paceKind) {
	p.kind = kind
	level, k := math.Log(max(w.median, leastWait).Seconds()), 0
	for i, noise := range paceNoise {
		for j, wander := range paceWander {
			for l, swing := range paceSwing {
				c := &p.cases[k]
				*c = paceCase{noise: noise, wander: wander, jump: paceJump[j], mean: [paceParts]float64{level}, weight: kind.Noise[i] * kind.Wander[j] * kind.Swing[l]}
				c.cov[0][0] = w.sd * w.sd
				c.mean[lacking], c.cov[lacking][lacking] = kind.LacksLn, kind.LacksSD*kind.LacksSD
				for h := 1; h < lacking; h++ {
					c.cov[h][h] = math.Pow(swing*[]float64{1, paceTwice}[(h-1)/2], 2)
				}
				k++
			}
		}
	}
}

// until is how long ago the first cycle began; 0 before it has ended.
func (p *pace) until(now time.Time) time.Duration {
	if p.began.IsZero() {
		return 0
	}
	return now.Sub(p.began)
}

// add takes in a cycle that ended so long after the first began, of a part whose printing
// was planned to take so long.
func (p *pace) add(ended, took, planned time.Duration, warm bool) {
	p.n++
	if !p.whole && took < p.sure(planned)+leastWait {
		p.whole = true
		p.begin(paceWait{median: took, sd: unseenSD}, p.kind)
	}
	y := math.Log(max(took-p.sure(planned), leastWait).Seconds())
	h := swing(ended-took, took, 1)
	if warm {
		h[lacking] = -1
	}
	total := 0.0
	for i := range p.cases {
		s := &p.cases[i]
		if p.n > 1 {
			s.cov[0][0] += s.wander * s.wander
		}
		jumps := 0.0
		if s.jump > 0 && p.n > 1 {
			jumps = jumping(took)
		}
		s.take(&h, y, s.noise*s.noise, jumps)
		total += s.weight
	}
	for i := range p.cases {
		w := 1.0 // far from all that was foretold
		if total > 0 {
			w = p.cases[i].weight / total
		}
		p.cases[i].weight = max(w, leastWeight)
	}
}

// take takes in the logarithm of a wait. The level has jumped before it with the probability
// jumps; of the two normals that this leaves, one with their mean and variance is kept
// (Harrison and Stevens 1976, Bayesian Forecasting; from memory).
func (s *paceCase) take(h *[paceParts]float64, y, variance, jumps float64) {
	mean, v0, with0 := s.sees(h)
	v0 += variance
	off := y - mean
	l0 := (1 - jumps) * distribution.NormalDensity(off/math.Sqrt(v0)) / math.Sqrt(v0)
	if jumps == 0 {
		s.weight *= l0
		s.learn(&with0, v0, off)
		return
	}
	jumped := *s
	jumped.cov[0][0] += s.jump * s.jump
	_, v1, with1 := jumped.sees(h)
	v1 += variance
	l1 := jumps * distribution.NormalDensity(off/math.Sqrt(v1)) / math.Sqrt(v1)
	s.learn(&with0, v0, off)
	jumped.learn(&with1, v1, off)
	s.weight *= l0 + l1
	if !(l0+l1 > 0) {
		*s = jumped
		return
	}
	b := l1 / (l0 + l1)
	var d [paceParts]float64
	for i := range d {
		d[i] = jumped.mean[i] - s.mean[i]
		s.mean[i] += b * d[i]
	}
	for i := range d {
		for j := range d {
			s.cov[i][j] = (1-b)*s.cov[i][j] + b*jumped.cov[i][j] + b*(1-b)*d[i]*d[j]
		}
	}
}

// jumping is the probability that a level jumps within such a time.
func jumping(d time.Duration) float64 { return 1 - math.Exp(-float64(d)/float64(jumpEvery)) }

// learn is Kalman's step: with are the covariances of the state with what was seen, variance
// that of what was seen, off by how much it was off.
func (s *paceCase) learn(with *[paceParts]float64, variance, off float64) {
	for a := range with {
		s.mean[a] += with[a] / variance * off
		for b := range with {
			s.cov[a][b] -= with[a] * with[b] / variance
		}
	}
}

// sure is how much of the planned printing is taken for certain.
func (p *pace) sure(planned time.Duration) time.Duration {
	if p.whole {
		return 0
	}
	return time.Duration(pacePlanned * float64(planned))
}

// swing says how much of level and swing the mean of k cycles has, the first of which begins
// so long after the first of all.
func swing(from, each time.Duration, k int) (h [paceParts]float64) {
	h[0] = 1
	for i := 1; i < lacking; i += 2 {
		turn := math.Pi * float64(i+1) / (24 * float64(time.Hour)) // radians in a nanosecond
		half := turn * float64(each) / 2
		mean := 1.0
		if n := float64(k); k > 1 {
			mean = math.Sin(n*half) / (n * math.Sin(half))
		}
		sin, cos := math.Sincos(turn*float64(from) + float64(k)*half)
		h[i], h[i+1] = mean*cos, mean*sin
	}
	return h
}

// sees returns mean and variance of a wait with so much of each part, and its covariances.
func (s *paceCase) sees(h *[paceParts]float64) (mean, variance float64, with [paceParts]float64) {
	for a := range h {
		mean += h[a] * s.mean[a]
		for b := range h {
			with[a] += s.cov[a][b] * h[b]
		}
		variance += h[a] * with[a]
	}
	return mean, variance, with
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
	return time.Duration((1 - math.Exp(-max(0, p.mean(lacking)))) * float64(p.middle()))
}

// middle is about how long a cycle's wait is.
func (p *pace) middle() time.Duration {
	return time.Duration(math.Exp(p.mean(0)) * float64(time.Second))
}

// mean is the mean of one part of the state, over all cases.
func (p *pace) mean(part int) float64 {
	sum, all := 0.0, 0.0
	for i := range p.cases {
		s := &p.cases[i]
		sum += s.weight * s.mean[part]
		all += s.weight
	}
	return sum / all
}

// outlook is the mean wait of some cycles to come: of each case that weighs enough to be seen,
// mean and standard deviation of its logarithm, with and without a jump.
type outlook struct {
	least float64 // ln seconds, above which it is known to be
	n     int
	cases [2 * len(pace{}.cases)]struct{ weight, mean, sd float64 }
}

// outlook looks at the next k cycles, the first of which begins so long after the first of
// all, each some length; their mean wait is known to be above least. It fills what the caller
// has room for: each snapshot looks a dozen times, and none is to cost an allocation.
func (p *pace) outlook(a *outlook, k int, from, each, least time.Duration) {
	a.n, a.least = 0, math.Inf(-1)
	seen := leastWeight
	if least > leastWait {
		a.least, seen = math.Log(least.Seconds()), 0 // it may be far from what is usual
	}
	n := float64(k)
	h := swing(from, each, k)
	// The mean of a random walk over its next steps has this many times the variance of one:
	// sum of squares over their square.
	walk := (n + 1) * (2*n + 1) / (6 * n)
	for i := range p.cases {
		s := &p.cases[i]
		if s.weight > seen {
			mean, variance, _ := s.sees(&h)
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

// wait returns the quantile q of the mean wait.
func (a *outlook) wait(q float64) time.Duration {
	low, high, at, all := math.Inf(1), math.Inf(-1), 0.0, 0.0
	for i := range a.cases[:a.n] {
		c := &a.cases[i]
		low, high = min(low, c.mean-mostSD*c.sd), max(high, c.mean+mostSD*c.sd)
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

// Quantiles are sought within so many standard deviations, among cases that weigh more than
// what each is left at the least: the machine may change.
const (
	mostSD      = 8
	leastWeight = 1e-4
)

// usual returns the median of the time that the next cycle takes, which begins so long after the
// first of all and whose printing was planned to take so long.
func (p *pace) usual(from, planned time.Duration) time.Duration {
	sure := p.sure(planned)
	var a outlook
	p.outlook(&a, 1, from, sure+p.middle(), 0)
	return max(0, sure+a.wait(0.5))
}

// takes returns the 2.5, 50 and 97.5 % quantiles of the time that the next k cycles take,
// whose printing was planned to take so long together. The first of them begins, or began
// elapsed ago, so long after the first of all.
func (p *pace) takes(k int, from, planned, elapsed time.Duration) (d [3]time.Duration) {
	if k < 1 {
		return d
	}
	sure := p.sure(planned)
	one := sure / time.Duration(k)
	each := one + p.middle()
	var least time.Duration
	var rest [3]time.Duration
	switch over := elapsed - one; {
	case over <= 0:
	case k == 1 || p.n == 0:
		least = over // before any was seen, what the first takes is what all take
	case elapsed > each:
		rest = p.takes(k-1, from+elapsed, planned-planned/time.Duration(k), 0) // it is overdue, and no other is begun
	}
	var a outlook
	p.outlook(&a, k, from, each, least)
	for i, q := range [...]float64{0.025, 0.5, 0.975} {
		d[i] = max(rest[i], sure+time.Duration(k)*a.wait(q)-elapsed)
	}
	return d
}
