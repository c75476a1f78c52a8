package supervisor

import (
	"fmt"
	"time"
)

// needAttended: a part would end outside the attended hours.
var needAttended = Need{
	Code: CauseUnattended, Name: "attended hours", Headline: "outside attended hours", Ends: EndsUnrecorded,
	Do: "Stay near while it runs, or wait for attended hours.", Remedy: "wait for attended hours",
	due: func(m *Machine) (int, string, bool) {
		h, d := m.set.Attended, m.nextDuration()
		if h.Always() || d <= 0 {
			return 0, "", false
		}
		left, text := h.Left(m.now), fmt.Sprintf("a part takes %s and would end outside attended hours (%s)", d.Round(time.Minute), h)
		if m.clockUnset() {
			left, text = 0, fmt.Sprintf("the computer's clock cannot show whether these are attended hours (%s): %s", h, m.clockDoubt())
		}
		parts := 0
		if c := m.cycle; c != nil && !c.fromLedger && !c.made {
			parts++
			left -= max(0, d-m.now.Sub(c.begun))
		}
		if left > 0 {
			parts += int(left / d)
		}
		return parts, text, true
	},
}
