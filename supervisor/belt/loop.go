package belt

import (
	"math"
	"slices"
)

// Loop is a closed belt with one seam. Places on it are phases: millimetres along the belt from the
// start of the seam, growing as the belt carries parts to the drop edge, from 0 to LengthMM.
type Loop struct {
	LengthMM float64 // once round
	SeamMM   float64 // stretch from phase 0 on which no part may lie
	// MarginMM is kept free on both sides of the seam, for the uncertainty of the phase.
	MarginMM float64
}

// Span is a part's footprint along the belt, relative to the nozzle when the part begins. FromMM is
// the edge nearer to the drop edge.
type Span struct{ FromMM, ToMM float64 }

// LengthMM is the length of the footprint.
func (s Span) LengthMM() float64 { return s.ToMM - s.FromMM }

// slackMM absorbs the rounding of sums of millimetres.
const slackMM = 1e-6

// RoomMM is how far a footprint can be shifted between two passages of the seam; negative if it
// does not fit.
func (l Loop) RoomMM(s Span) float64 {
	return l.LengthMM - l.SeamMM - 2*l.MarginMM - s.LengthMM()
}

// endless reports whether nothing must be kept free.
func (l Loop) endless() bool { return l.SeamMM == 0 && l.MarginMM == 0 }

// Fits reports whether the footprint has room between two passages of the seam.
func (l Loop) Fits(s Span) bool { return l.LengthMM > 0 && l.RoomMM(s) >= -slackMM }

// PhaseMM brings a phase into [0, LengthMM).
func (l Loop) PhaseMM(phaseMM float64) float64 {
	p := math.Mod(phaseMM, l.LengthMM)
	if p < 0 {
		p += l.LengthMM
	}
	if p >= l.LengthMM { // a tiny negative one rounds up to the whole length
		p = 0
	}
	return p
}

// ExtraMM is the least advance, 0 or more, that makes a footprint clear of the seam if its part
// would begin at the phase. It is false if no advance does.
func (l Loop) ExtraMM(phaseMM float64, s Span) (extraMM float64, ok bool) {
	if !l.Fits(s) {
		return 0, false
	}
	if l.endless() {
		return 0, true
	}
	past := l.PhaseMM(phaseMM + s.FromMM - l.SeamMM - l.MarginMM) // leading edge behind the end of the seam
	if past <= l.RoomMM(s)+slackMM || past >= l.LengthMM-slackMM {
		return 0, true
	}
	return l.LengthMM - past, true
}

// LongestExtraMM bounds the extra advance: the part and what is kept free.
func (l Loop) LongestExtraMM(s Span) float64 {
	if l.endless() {
		return 0
	}
	return s.LengthMM() + l.SeamMM + 2*l.MarginMM
}

// PartsPerLoop is how many parts at a pitch fit between two passages of the seam if the first
// begins right behind it.
func (l Loop) PartsPerLoop(s Span, pitchMM float64) int {
	if !l.Fits(s) || !(pitchMM > 0) {
		return 0
	}
	return int((math.Max(0, l.RoomMM(s))+slackMM)/pitchMM) + 1
}

// Extra is an advance beyond the pitch, made before a cycle begins.
type Extra struct {
	Cycle     int // 1 is the first of the lot
	AdvanceMM float64
}

// Lay returns the cycles of a lot beginning at a phase that need an extra advance, and the advance
// from the first part's origin, its own extra included, to the origin after the last. It is false
// if a part never fits.
func (l Loop) Lay(phaseMM float64, s Span, pitchMM float64, cycles int) (extras []Extra, advanceMM float64, ok bool) {
	for c := 1; c <= cycles; c++ {
		extra, ok := l.ExtraMM(phaseMM+advanceMM, s)
		if !ok {
			return nil, 0, false
		}
		if extra > 0 {
			extras = append(extras, Extra{c, extra})
		}
		advanceMM += extra + pitchMM
	}
	return extras, advanceMM, true
}

// share is the shortest stretch that holds the places of all readings, by their advance, as a share
// of the loop.
func (l Loop) share(readings []Reading) float64 {
	var at []float64
	for _, r := range readings {
		at = append(at, l.PhaseMM(r.AdvanceMM))
	}
	slices.Sort(at)
	widest := at[0] + l.LengthMM - at[len(at)-1] // across the seam
	for i := range at[1:] {
		widest = max(widest, at[i+1]-at[i])
	}
	return 1 - widest/l.LengthMM
}
