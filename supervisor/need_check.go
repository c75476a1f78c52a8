package supervisor

import (
	"fmt"
	"math"
	"time"
)

// The checks that the owner has configured: after so many parts, so much belt travel, or so long. Any
// recorded check restarts all three.
const (
	checkDo      = "Read the lateral offset and look at the parts."
	checkRemedy  = "record one"
	checkCommand = "beltwarden check"
)

var needCheckParts = Need{
	Code: CauseCheckParts, Name: "check", Headline: "check due", Ends: EndsByCheck,
	Do: checkDo, Remedy: checkRemedy, Command: checkCommand, Bring: []string{"caliper", "rule for the belt's edge"},
	due: func(m *Machine) (int, string, bool) {
		every := m.set.CheckEveryParts
		if every <= 0 {
			return 0, "", false
		}
		since := m.book.Since.Parts
		return max(0, every-since), fmt.Sprintf("%s since the last check; one is due every %d", plural(since, "part", "parts"), every), true
	},
	every: func(m *Machine) int { return m.set.CheckEveryParts },
}

var needCheckTravel = Need{
	Code: CauseCheckTravel, Name: "check", Headline: "check due", Ends: EndsByCheck,
	Do: checkDo, Remedy: checkRemedy, Command: checkCommand, Bring: []string{"rule for the belt's edge", "caliper"},
	due: func(m *Machine) (int, string, bool) {
		every, since := m.set.CheckEveryMM, m.belt.base.TravelMM-m.book.Since.TravelMM
		return m.partsWithin(every - since), fmt.Sprintf("%.1f m of belt travel since the last check; one is due every %.1f m", since/1000, every/1000), every > 0
	},
	every: func(m *Machine) int {
		if per := m.nextTravelMM(); per > 0 {
			return int(m.set.CheckEveryMM/per + 1e-9)
		}
		return math.MaxInt32
	},
}

var needCheckTime = Need{
	Code: CauseCheckTime, Name: "check", Headline: "check due", Ends: EndsByCheck,
	Do: checkDo, Remedy: checkRemedy, Command: checkCommand, Bring: []string{"caliper", "rule for the belt's edge"},
	due: func(m *Machine) (int, string, bool) {
		every, since := m.set.CheckEvery, m.now.Sub(m.book.Since.At)
		n := 0
		if left := every - since; left > 0 {
			n = 1
			if d := m.nextDuration(); d > 0 {
				n = 1 + int(left/d)
			}
		}
		return n, fmt.Sprintf("%s since the last check; one is due every %s", since.Round(time.Minute), every), every > 0
	},
	every: func(m *Machine) int {
		if d := m.nextDuration(); d > 0 {
			return 1 + int(m.set.CheckEvery/d)
		}
		return math.MaxInt32
	},
}
