package supervisor

import (
	"fmt"
	"math"
)

// needOffset: the belt is beyond its lateral limit, or may be by then.
var needOffset = Need{
	Code: CauseOffset, Name: "belt", Headline: "belt at its limit", Ends: EndsByCheck,
	Do: checkDo, Remedy: checkRemedy, Command: checkCommand, Bring: []string{"rule for the belt's edge", "key for the belt's adjusters"},
	due: func(m *Machine) (int, string, bool) {
		switch {
		case m.rules.accepted:
			return 0, "", false
		case m.offsetBeyond():
			return 0, m.offsetText(), true
		}
		if m.set.OffsetLimitMM <= 0 || m.set.WorstDrift <= 0 {
			return 0, "", false
		}
		f := m.forecast()
		return m.partsIn(f.HoldMM), m.driftText(f), true
	},
	every: func(m *Machine) int {
		per := m.nextTravelMM()
		if per <= 0 {
			return math.MaxInt32
		}
		// The forecast after the next reading is not known; as far again is a fair guess.
		again := math.Max(m.forecast().HoldMM, m.set.OffsetLimitMM/2/math.Max(m.set.WorstDrift, 1e-9)*1000)
		return int(math.Min(math.MaxInt32, again/per))
	},
}

// offsetBeyond reports whether the newest reading since realignment is beyond
// the limit.
func (m *Machine) offsetBeyond() bool {
	o := m.rules.drift.newest()
	return o != nil && m.set.OffsetLimitMM > 0 && math.Abs(o.OffsetMM) > m.set.OffsetLimitMM
}

func (m *Machine) offsetText() string {
	return fmt.Sprintf("the offset was %+.1f mm at the last check; the limit is %.1f mm", m.rules.drift.newest().OffsetMM, m.set.OffsetLimitMM)
}
