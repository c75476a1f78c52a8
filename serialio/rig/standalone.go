package rig

import "math/rand/v2"

// StandaloneBelt is the physical belt of a rig without board and head, for tests of what
// is forecast of it. Nothing runs by itself, and one goroutine owns it.
type StandaloneBelt struct {
	state  beltState
	source *rand.PCG
}

// NewStandaloneBelt returns a belt at rest with offset 0.
func NewStandaloneBelt(b Belt, seed uint64) *StandaloneBelt {
	source := rand.NewPCG(seed, 0xbe17)
	return &StandaloneBelt{beltState{Belt: b, rng: rand.New(source), damage: func(string) {}, current: -1, nextDrawM: quantumM}, source}
}

// Move runs the belt by travelMM in all, of which advanceMM net.
func (b *StandaloneBelt) Move(advanceMM, travelMM float64) {
	b.state.move(advanceMM, travelMM, travelMM)
}

// OffsetMM is the sideways position of the belt, mm, + to the right.
func (b *StandaloneBelt) OffsetMM() float64 { return b.state.offsetMM }

// Place shifts the belt sideways to an offset, as a realignment does.
func (b *StandaloneBelt) Place(offsetMM float64) { b.state.offsetMM = offsetMM }

// Turn changes the rates of drift, as a roller does that has been pushed.
func (b *StandaloneBelt) Turn(perTravelMMPerM, perAdvanceMMPerM float64) {
	b.state.DriftPerTravelMMPerM, b.state.DriftPerAdvanceMMPerM = perTravelMMPerM, perAdvanceMMPerM
}

// Twin returns a belt in the same place that goes its own way from here; with seed 0
// it goes the very same way.
func (b *StandaloneBelt) Twin(seed uint64) *StandaloneBelt {
	twin := &StandaloneBelt{state: b.state, source: rand.NewPCG(seed, 0xbe17)}
	if seed == 0 {
		*twin.source = *b.source
	}
	twin.state.rng = rand.New(twin.source)
	return twin
}
