package belt

import "math"

// Wear counts the parts laid on each stretch of a loop. A belt's coating wears out where parts
// always lie on the same place, so a lot begins where the fewest have lain.
type Wear struct {
	LoopMM float64
	Parts  []int // by stretch, the first from phase 0 on
}

// stretchMM is the approximate length of a stretch: parts are placed no more exactly than that.
const stretchMM = 20.0

// NewWear returns the wear of a new loop; nil if its length is unknown.
func NewWear(loopMM float64) *Wear {
	if !(loopMM > 0) {
		return nil
	}
	return &Wear{LoopMM: loopMM, Parts: make([]int, max(1, int(math.Round(loopMM/stretchMM))))}
}

// at calls f with each stretch that a footprint touches if its part begins at the phase.
func (w *Wear) at(phaseMM float64, s Span, f func(stretch int)) {
	n := len(w.Parts)
	each := w.LoopMM / float64(n)
	l := Loop{LengthMM: w.LoopMM}
	first := int(l.PhaseMM(phaseMM+s.FromMM) / each)
	touched := int(math.Ceil((math.Mod(l.PhaseMM(phaseMM+s.FromMM), each) + s.LengthMM()) / each))
	for k := range min(max(1, touched), n) {
		f((first + k) % n)
	}
}

// Lay adds a part.
func (w *Wear) Lay(phaseMM float64, s Span) { w.at(phaseMM, s, func(k int) { w.Parts[k]++ }) }

// Range is the smallest and largest number of parts on a stretch.
func (w *Wear) Range() (fewest, most int) {
	fewest = math.MaxInt
	for _, n := range w.Parts {
		fewest, most = min(fewest, n), max(most, n)
	}
	return fewest, most
}

// ShiftMM is the shortest advance, from 0 to less than the pitch, after which this many parts in a
// row, one pitch apart, lie where the fewest have lain. Only one round of parts counts, since
// further ones lie where the first did or in between.
func (w *Wear) ShiftMM(phaseMM float64, s Span, pitchMM float64, parts int) float64 {
	if !(pitchMM > 0) || parts < 1 {
		return 0
	}
	parts = min(parts, max(1, int(w.LoopMM/pitchMM)))
	best, least := 0.0, math.MaxInt
	for shift := 0.0; shift < pitchMM; shift += stretchMM / 4 {
		borne := 0
		for k := range parts {
			w.at(phaseMM+shift+float64(k)*pitchMM, s, func(k int) { borne += w.Parts[k] * w.Parts[k] })
		}
		if borne < least {
			best, least = shift, borne
		}
	}
	return best
}
