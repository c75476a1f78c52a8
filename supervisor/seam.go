package supervisor

import (
	"fmt"
	"math"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// seam is where the joint of the belt was last seen by the operator.
type seam struct {
	seen bool
	atMM float64 // net advance at which its start is under the nozzle
	// sinceMM is the net advance and uncertainMM the uncertain travel when it was seen.
	sinceMM, uncertainMM float64
}

// The place of the joint is known less well the longer it was not seen: by what the eye
// can be off, and by the scale of the belt (common practice, no source).
const (
	seamEyeMM = 3.0
	seamScale = 0.003 // of the advance since it was seen
)

// sawSeam takes in how far ahead of the nozzle, towards the drop edge, the middle of
// the joint was seen.
func (m *Machine) sawSeam(aheadMM float64, by string, out *Output) {
	b := m.belt.base
	m.belt.seam = seam{seen: true, atMM: b.AdvanceMM - aheadMM - m.set.SeamMM/2, sinceMM: b.AdvanceMM, uncertainMM: m.belt.uncertainMM}
	out.record(ledger.SeamSeen{AdvanceMM: m.belt.seam.atMM, By: by})
}

// loop is the belt as far as the joint goes. It is false where its length is not known or
// the joint was never seen.
func (m *Machine) loop() (belt.Loop, bool) {
	s := &m.belt.seam
	if m.set.LoopMM <= 0 || !s.seen {
		return belt.Loop{}, false
	}
	margin := seamEyeMM + seamScale*math.Abs(m.belt.base.AdvanceMM-s.sinceMM) + math.Max(0, m.belt.uncertainMM-s.uncertainMM)
	return belt.Loop{LengthMM: m.set.LoopMM, SeamMM: m.set.SeamMM, MarginMM: margin}, true
}

// clearOfSeamMM is how much further the belt must advance, after advanceMM more, so that a
// part does not lie on the joint. Where the joint's place is too uncertain for the part to
// fit beside it, nothing is added, and lost is true.
func (m *Machine) clearOfSeamMM(p *job.Plan, advanceMM float64) (extraMM float64, lost bool) {
	l, ok := m.loop()
	if !ok {
		return 0, false
	}
	phase := m.belt.base.AdvanceMM + advanceMM - m.belt.seam.atMM
	extra, ok := l.ExtraMM(phase, spanOf(p))
	return extra, !ok
}

// seamAheadMM is where the middle of the joint is now, ahead of the nozzle towards the
// drop edge: within half a loop either way. It is false where that is not known.
func (m *Machine) seamAheadMM() (aheadMM, plusMinusMM float64, ok bool) {
	l, ok := m.loop()
	if !ok {
		return 0, 0, false
	}
	ahead := l.PhaseMM(m.belt.base.AdvanceMM - m.belt.seam.atMM - m.set.SeamMM/2)
	if ahead > l.LengthMM/2 {
		ahead -= l.LengthMM
	}
	return ahead, l.MarginMM, true
}

// wrongSeam refuses a place that no joint can have.
func (m *Machine) wrongSeam(aheadMM float64) string {
	switch {
	case m.set.LoopMM <= 0:
		return "the seam's position is used only if belt.loop_length_mm is configured"
	case !(math.Abs(aheadMM) <= m.set.LoopMM):
		return fmt.Sprintf("the seam cannot be %g mm from the nozzle on a belt of %g mm", aheadMM, m.set.LoopMM)
	}
	return ""
}
