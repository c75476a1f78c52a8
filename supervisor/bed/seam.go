package bed

import (
	"math"

	"beltwarden/supervisor/belt"
)

// seam is where the operator last saw the belt's seam.
type seam struct {
	seen        bool
	atMM        float64 // net advance at which its start is under the nozzle
	uncertainMM float64 // uncertain travel when it was seen; 0 after a restart, which makes the place more doubtful
}

// The place of the seam becomes less certain with time since it was seen: by the error of the eye, and
// by the belt's scale (common practice, no source).
const (
	seamReadingMM = 3.0
	seamScale     = 0.003 // of the advance since it was seen
)

// SeamAtMM is the net advance at which the seam's start is under the nozzle, from how far ahead of the
// nozzle, towards the drop edge, its middle was seen.
func (b *Bed) SeamAtMM(p Position, aheadMM float64) float64 {
	return p.AdvanceMM - aheadMM - b.set.SeamMM/2
}

// Loop is the belt's loop with its seam. It is false if the length is unknown or the seam was never
// seen.
func (b *Bed) Loop(p Position) (belt.Loop, bool) {
	s := &b.seam
	if b.set.LoopMM <= 0 || !s.seen {
		return belt.Loop{}, false
	}
	margin := seamReadingMM + seamScale*math.Abs(p.AdvanceMM-s.atMM) + math.Max(0, p.UncertainMM-s.uncertainMM)
	return belt.Loop{LengthMM: b.set.LoopMM, SeamMM: b.set.SeamMM, MarginMM: margin}, true
}

// ClearOfSeamMM is how much further the belt must advance, after advanceMM more, so that a part does
// not lie on the seam; 0 if the seam's place is too uncertain for the part to fit beside it.
func (b *Bed) ClearOfSeamMM(p Position, part belt.Span, advanceMM float64) float64 {
	l, ok := b.Loop(p)
	if !ok {
		return 0
	}
	extra, _ := l.ExtraMM(p.AdvanceMM+advanceMM-b.seam.atMM, part)
	return extra
}

// SeamAheadMM is where the middle of the seam is now, ahead of the nozzle towards the drop edge:
// within half a loop either way. It is false if that is unknown.
func (b *Bed) SeamAheadMM(p Position) (aheadMM, plusMinusMM float64, ok bool) {
	l, ok := b.Loop(p)
	if !ok {
		return 0, 0, false
	}
	ahead := l.PhaseMM(p.AdvanceMM - b.seam.atMM - b.set.SeamMM/2)
	if ahead > l.LengthMM/2 {
		ahead -= l.LengthMM
	}
	return ahead, l.MarginMM, true
}
