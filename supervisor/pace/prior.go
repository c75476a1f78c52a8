package pace

import (
	"encoding/json"
	"math"
)

// Prior is what the cycles of earlier lots have shown of machine and room: how likely each size of
// scatter, drift and daily swing is (see [Model]), and by how much less a cycle waits that begins
// hot, as a natural logarithm. Its JSON is stored in the ledger.
type Prior struct {
	Noise   [len(noises)]float64  `json:"noise"`
	Wander  [len(wanders)]float64 `json:"wander"`
	Swing   [len(swings)]float64  `json:"swing"`
	LacksLn float64               `json:"lacks_ln"`
	LacksSD float64               `json:"lacks_sd"`
}

// DefaultPrior is for a machine without observed cycles: about what cycles showed on the machines
// that TestVisitTimes was tuned on, with a level that jumps in one room of four (common practice,
// no source).
func DefaultPrior() Prior {
	return Prior{
		Noise:   [...]float64{0.56, 0.31, 0.1, 0.03},
		Wander:  [...]float64{0.36, 0.31, 0.08, 0.25},
		Swing:   [...]float64{0.62, 0.26, 0.12},
		LacksLn: lacksLn, LacksSD: lacksSD,
	}
}

const (
	// A cycle that begins hot, as after a lead-in, does not wait for heating. How much less
	// it waits is not known (common practice, no source).
	lacksLn, lacksSD = 0.3, 0.14
	// forgetting is the share of what was learned that is forgotten from lot to lot: the machine is
	// moved, the season changes, the next job is another (common practice, no source).
	forgetting = 0.05
	// At most three quarters of the wait are heating.
	maxLacksLn, mostLacksSD = 1.4, 0.5
)

// ReadPrior reads a stored prior. If it cannot be read or is invalid, the default is returned.
func ReadPrior(text []byte) Prior {
	var q Prior
	if json.Unmarshal(text, &q) == nil && q.Valid() {
		return q
	}
	return DefaultPrior()
}

// Valid reports whether a lot can begin with it: each list must be of positive shares that sum to
// one.
func (q Prior) Valid() bool {
	for _, list := range [][]float64{q.Noise[:], q.Wander[:], q.Swing[:]} {
		sum := 0.0
		for _, w := range list {
			if !(w > 0) {
				return false
			}
			sum += w
		}
		if !(math.Abs(sum-1) < 0.01) {
			return false
		}
	}
	return q.LacksLn >= 0 && q.LacksLn <= maxLacksLn && q.LacksSD > 0 && q.LacksSD <= mostLacksSD
}

// Learned returns the prior for the next lot.
func (m *Model) Learned() (q Prior) {
	all, k := 0.0, 0
	for i := range m.cases {
		all += m.cases[i].weight
	}
	mean, square := 0.0, 0.0
	for i := range noises {
		for j := range wanders {
			for l := range swings {
				s := &m.cases[k]
				w := s.weight / all
				q.Noise[i] += w
				q.Wander[j] += w
				q.Swing[l] += w
				mean += w * s.mean[lacking]
				square += w * (s.cov[lacking][lacking] + s.mean[lacking]*s.mean[lacking])
				k++
			}
		}
	}
	first := DefaultPrior()
	forget := func(list, first []float64) {
		for i := range list {
			list[i] += forgetting * (first[i] - list[i])
		}
	}
	forget(q.Noise[:], first.Noise[:])
	forget(q.Wander[:], first.Wander[:])
	forget(q.Swing[:], first.Swing[:])
	leaveJumps(q.Wander[:], first.Wander[:])
	mean += forgetting * (lacksLn - mean)
	square += forgetting * (lacksLn*lacksLn + lacksSD*lacksSD - square)
	q.LacksLn, q.LacksSD = min(max(mean, 0), maxLacksLn), min(math.Sqrt(max(0, square-mean*mean)), mostLacksSD)
	return q
}

// leaveJumps keeps the probability of levels that jump at its first value: that none has jumped for
// some lots does not show that none will.
func leaveJumps(wander, first []float64) {
	for j, jump := range jumpSizes {
		if least := first[j]; jump > 0 && wander[j] < least {
			others := (1 - least) / (1 - wander[j])
			for i := range wander {
				wander[i] *= others
			}
			wander[j] = least
		}
	}
}
