// Package pace forecasts how long the next cycles of a machine take ([Model]), and when the ordered
// good parts of a lot will be made, including the stops at which the machine waits for people and
// the parts made to replace scrap ([Remainder]). It is pure: times are passed in.
package pace

import (
	"math"
	"time"

	"beltwarden/supervisor/distribution"
)

// Model forecasts how long the next cycles of a lot take. The wait of a cycle is what it takes
// beyond nine tenths of its planned printing: heating, cooling, moving off, and the error of the
// plan. The logarithm of the wait follows a structural model (Harvey 1989, Forecasting, Structural
// Time Series Models and the Kalman Filter, 2.3): a level that drifts from cycle to cycle or jumps
// now and then, as when the heating of the room is switched; a swing by the time of day; and
// scatter. Their sizes are unknown: there is a filter for every combination of noises, wanders and
// swings, weighted by how well it has predicted the waits so far. A Model is a plain value of 18
// kB; call [Model.Begin] first.
type Model struct {
	prior    Prior
	n        int       // cycles seen
	whole    bool      // the plan is too long for this machine: a whole cycle counts as wait
	began    time.Time // when the first cycle began
	travelMM float64   // belt travel of the cycles that were not the first of a run; of the first ones until there is another
	later    int       // number of these cycles
	cases    [len(noises) * len(wanders) * len(swings)]filter
}

// filter is a Kalman filter for one combination of sizes. Its state is the level, cosine and sine
// of the day and of half a day, counted from the first cycle, and how much less a cycle waits that
// begins hot.
type filter struct {
	noise, wander, jump float64
	mean                [stateSize]float64 // ln seconds
	cov                 [stateSize][stateSize]float64
	weight              float64
}

// Standard deviations of logarithms: 0.01 is one per cent. They span a machine in a cellar
// and one beside a door that people use.
var (
	noises    = [...]float64{0.003, 0.011, 0.04, 0.15}
	wanders   = [...]float64{0.0015, 0.008, 0.03, 0.003}
	jumpSizes = [len(wanders)]float64{0, 0, 0, 0.12}
	swings    = [...]float64{0.01, 0.04, 0.12}
)

const (
	stateSize = 6
	lacking   = stateSize - 1 // the last
	// jumpEvery: the heating of a room is switched on and off once a day (common practice,
	// no source).
	jumpEvery = 12 * time.Hour
	// halfDay is the swing of half a day relative to that of the day: towards the room's
	// temperature cooling takes longer than in proportion (common practice, no source).
	halfDay = 0.35
	// certainShare is the share of the planned printing that is treated as certain.
	certainShare = 0.9
	// minWait keeps a logarithm finite.
	minWait = time.Millisecond
	// minWeight is the least weight of a case: one that fits badly now may fit later.
	minWeight = 1e-4
)

// Cycle is a cycle that has ended, from its part's first line to its end.
type Cycle struct {
	Began, Ended time.Time
	Planned      time.Duration // planned printing time; 0 if unknown
	Hot          bool          // it began with the heaters hot, and has no heating in it
	// Reheat is the heating time that a cycle saves by beginning hot; nil if the heaters are
	// unknown.
	Reheat   *time.Duration
	TravelMM float64 // of the belt
	First    bool    // of a run: the belt may advance further before it
}

// Begin sets what is known of waits, machine and room before the first cycle has ended.
func (m *Model) Begin(w Wait, prior Prior) {
	m.prior = prior
	level, k := math.Log(max(w.Median, minWait).Seconds()), 0
	for i, noise := range noises {
		for j, wander := range wanders {
			for l, swing := range swings {
				c := &m.cases[k]
				*c = filter{noise: noise, wander: wander, jump: jumpSizes[j], mean: [stateSize]float64{level}, weight: prior.Noise[i] * prior.Wander[j] * prior.Swing[l]}
				c.cov[0][0] = w.LogSD * w.LogSD
				c.mean[lacking], c.cov[lacking][lacking] = prior.LacksLn, prior.LacksSD*prior.LacksSD
				for h := 1; h < lacking; h++ {
					c.cov[h][h] = math.Pow(swing*[]float64{1, halfDay}[(h-1)/2], 2)
				}
				k++
			}
		}
	}
}

// Cycles returns how many cycles have been added.
func (m *Model) Cycles() int { return m.n }

// Add learns from a cycle that has ended.
func (m *Model) Add(c Cycle) {
	if m.n == 0 {
		m.began = c.Began
	}
	took, hot := c.Ended.Sub(c.Began), c.Hot
	if hot && c.Reheat != nil {
		took, hot = took+*c.Reheat, false
	}
	m.travelled(c.TravelMM, c.First)
	m.n++
	if !m.whole && took < m.certain(c.Planned)+minWait {
		m.whole = true
		m.Begin(Wait{Median: took, LogSD: unseenSD}, m.prior)
	}
	y := math.Log(max(took-m.certain(c.Planned), minWait).Seconds())
	h := parts(m.since(c.Ended)-took, took, 1)
	if hot {
		h[lacking] = -1
	}
	total := 0.0
	for i := range m.cases {
		s := &m.cases[i]
		if m.n > 1 {
			s.cov[0][0] += s.wander * s.wander
		}
		jumps := 0.0
		if s.jump > 0 && m.n > 1 {
			jumps = jumping(took)
		}
		s.observe(&h, y, s.noise*s.noise, jumps)
		total += s.weight
	}
	for i := range m.cases {
		w := 1.0 // far from every prediction
		if total > 0 {
			w = m.cases[i].weight / total
		}
		m.cases[i].weight = max(w, minWeight)
	}
}

// since is how long t is after the first cycle began; 0 before one has ended.
func (m *Model) since(t time.Time) time.Duration {
	if m.began.IsZero() {
		return 0
	}
	return t.Sub(m.began)
}

// observe updates the filter with the logarithm of a wait. With the probability jumps the level has
// jumped before it; the mixture of the two normals is replaced by one with the same mean and
// variance (Harrison and Stevens 1976, Bayesian Forecasting; from memory).
func (s *filter) observe(h *[stateSize]float64, y, variance, jumps float64) {
	mean, v0, with0 := s.predict(h)
	v0 += variance
	off := y - mean
	l0 := (1 - jumps) * distribution.NormalDensity(off/math.Sqrt(v0)) / math.Sqrt(v0)
	if jumps == 0 {
		s.weight *= l0
		s.update(&with0, v0, off)
		return
	}
	jumped := *s
	jumped.cov[0][0] += s.jump * s.jump
	_, v1, with1 := jumped.predict(h)
	v1 += variance
	l1 := jumps * distribution.NormalDensity(off/math.Sqrt(v1)) / math.Sqrt(v1)
	s.update(&with0, v0, off)
	jumped.update(&with1, v1, off)
	s.weight *= l0 + l1
	if !(l0+l1 > 0) {
		*s = jumped
		return
	}
	b := l1 / (l0 + l1)
	var d [stateSize]float64
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

// jumping is the probability that the level jumps within d.
func jumping(d time.Duration) float64 { return 1 - math.Exp(-float64(d)/float64(jumpEvery)) }

// predict returns mean and variance of a wait with these weights of the state's parts, and its
// covariances with the state.
func (s *filter) predict(h *[stateSize]float64) (mean, variance float64, with [stateSize]float64) {
	for a := range h {
		mean += h[a] * s.mean[a]
		for b := range h {
			with[a] += s.cov[a][b] * h[b]
		}
		variance += h[a] * with[a]
	}
	return mean, variance, with
}

// update is a Kalman update: with are the covariances of the state with the observation, variance
// that of the observation, off the error of the prediction.
func (s *filter) update(with *[stateSize]float64, variance, off float64) {
	for a := range with {
		s.mean[a] += with[a] / variance * off
		for b := range with {
			s.cov[a][b] -= with[a] * with[b] / variance
		}
	}
}

// certain is the part of the planned printing that is treated as certain.
func (m *Model) certain(planned time.Duration) time.Duration {
	if m.whole {
		return 0
	}
	return time.Duration(certainShare * float64(planned))
}

// parts returns the weights of the state's parts in the mean wait of k cycles, each of length each,
// of which the first begins from after the first cycle of all.
func parts(from, each time.Duration, k int) (h [stateSize]float64) {
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

// travelled adds the belt travel of a cycle.
func (m *Model) travelled(mm float64, first bool) {
	switch {
	case !first:
		if m.later == 0 {
			m.travelMM = 0
		}
		m.later++
		m.travelMM += mm
	case m.later == 0:
		m.travelMM = mm
	}
}

// MeanTravelMM returns the mean belt travel of a cycle; 0 before the first has ended.
func (m *Model) MeanTravelMM() float64 { return m.travelMM / float64(max(1, m.later)) }

// Heating estimates how much of a cycle's wait is heating, for heaters that are unknown.
func (m *Model) Heating() time.Duration {
	return time.Duration((1 - math.Exp(-max(0, m.mean(lacking)))) * float64(m.medianWait()))
}

// medianWait is about the median wait of a cycle.
func (m *Model) medianWait() time.Duration {
	return time.Duration(math.Exp(m.mean(0)) * float64(time.Second))
}

// mean is the mean of one part of the state, over all cases.
func (m *Model) mean(part int) float64 {
	sum, all := 0.0, 0.0
	for i := range m.cases {
		s := &m.cases[i]
		sum += s.weight * s.mean[part]
		all += s.weight
	}
	return sum / all
}
