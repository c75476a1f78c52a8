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
		case m.offsetAccepted():
			return 0, "", false
		case m.bed.Beyond():
			return 0, m.offsetText(), true
		}
		if m.set.OffsetLimitMM <= 0 || m.set.WorstDriftMMPerM <= 0 {
			return 0, "", false
		}
		f := m.forecast()
		return m.partsWithin(f.HoldMM), m.driftText(f), true
	},
	every: func(m *Machine) int {
		per := m.nextTravelMM()
		if per <= 0 {
			return math.MaxInt32
		}
		// The forecast after the next reading is unknown; the same distance again is a reasonable
		// guess.
		again := math.Max(m.forecast().HoldMM, m.set.OffsetLimitMM/2/math.Max(m.set.WorstDriftMMPerM, 1e-9)*1000)
		return int(math.Min(math.MaxInt32, again/per))
	},
}

func (m *Machine) offsetText() string {
	newest, _ := m.bed.Newest()
	return fmt.Sprintf("the offset was %+.1f mm at the last check; the limit is %.1f mm", newest.OffsetMM, m.set.OffsetLimitMM)
}
