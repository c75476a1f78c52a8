package supervisor

import (
	"encoding/json"
	"math"

	"beltwarden/supervisor/ledger"
)

// paceKind is what the cycles of earlier lots have shown of machine and room: how likely each
// case of [pace] is, for scatter, wander and swing each, and by how much a cycle that begins
// warm waits less, as a logarithm. It is kept in the ledger as JSON.
type paceKind struct {
	Noise   [len(paceNoise)]float64  `json:"noise"`
	Wander  [len(paceWander)]float64 `json:"wander"`
	Swing   [len(paceSwing)]float64  `json:"swing"`
	LacksLn float64                  `json:"lacks_ln"`
	LacksSD float64                  `json:"lacks_sd"`
}

// unknownKind is a machine of which no cycle was seen.
var unknownKind = paceKind{paceNoisePrior, paceWanderPrior, paceSwingPrior, lacksLn, lacksSD}

const (
	// kindForgets is how much of what was learned is given up from lot to lot: the machine is
	// moved, the season changes, the next job is another (common practice, no source).
	kindForgets = 0.05
	// A heating that takes three quarters of the wait is the most that is believed.
	mostLacks, mostLacksSD = 1.4, 0.5
	// kindEvery: what was learned is kept after so many cycles, and at the end of a lot.
	kindEvery = 10
)

// learned is what a lot is begun with after these cycles.
func (p *pace) learned() (q paceKind) {
	all, k := 0.0, 0
	for i := range p.cases {
		all += p.cases[i].weight
	}
	mean, square := 0.0, 0.0
	for i := range paceNoise {
		for j := range paceWander {
			for l := range paceSwing {
				s := &p.cases[k]
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
	forget := func(list, prior []float64) {
		for i := range list {
			list[i] += kindForgets * (prior[i] - list[i])
		}
	}
	forget(q.Noise[:], paceNoisePrior[:])
	forget(q.Wander[:], paceWanderPrior[:])
	forget(q.Swing[:], paceSwingPrior[:])
	leaveJumps(q.Wander[:])
	mean += kindForgets * (lacksLn - mean)
	square += kindForgets * (lacksLn*lacksLn + lacksSD*lacksSD - square)
	q.LacksLn, q.LacksSD = min(max(mean, 0), mostLacks), min(math.Sqrt(max(0, square-mean*mean)), mostLacksSD)
	return q
}

// leaveJumps leaves levels that jump as likely as they were thought to be at first: that none
// has jumped for some lots does not show that none will.
func leaveJumps(wander []float64) {
	for j, jump := range paceJump {
		if least := paceWanderPrior[j]; jump > 0 && wander[j] < least {
			others := (1 - least) / (1 - wander[j])
			for i := range wander {
				wander[i] *= others
			}
			wander[j] = least
		}
	}
}

// sound reports whether it can be begun with.
func (q paceKind) sound() bool {
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
	return q.LacksLn >= 0 && q.LacksLn <= mostLacks && q.LacksSD > 0 && q.LacksSD <= mostLacksSD
}

// kindOf is what earlier processes learned, as it was kept. What cannot be read is learned anew.
func kindOf(learned map[string]json.RawMessage) paceKind {
	var q paceKind
	if text, ok := learned[ledger.LearnedCycles]; ok && json.Unmarshal(text, &q) == nil && q.sound() {
		return q
	}
	return unknownKind
}

// learnKind takes in what the cycles of a lot have shown. It is recorded like what is
// learned of heaters.
func (m *Machine) learnKind(l *lot) {
	if l.pace.n%kindEvery != 0 && l.wanted() > 0 {
		return
	}
	if q := l.pace.learned(); q.sound() {
		m.paceKind, m.warmth.kindNew = q, true
	}
}
