package supervisor

import (
	"fmt"
	"time"
)

// Span is a part of the day, in local time, as minutes from midnight. It may pass
// midnight; From equal to To is all day.
type Span struct{ FromMin, ToMin int }

// needAttended: a part would end outside the hours in which somebody is near.
var needAttended = Need{
	Code: CauseUnattended, Name: "attended hours", Headline: "outside attended hours", Ends: EndsUnrecorded,
	Do: "Stay near while it runs, or wait for attended hours.", Remedy: "wait for attended hours",
	due: func(m *Machine) (int, string, bool) {
		h, d := m.set.Attended, m.nextDuration()
		if h.FromMin == h.ToMin || d <= 0 {
			return 0, "", false
		}
		left, text := h.left(m.now), fmt.Sprintf("a part takes %s and would end outside attended hours (%s)", d.Round(time.Minute), h)
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

// left is how long the span still lasts at t; 0 outside it.
func (h Span) left(t time.Time) time.Duration {
	into := (ofDay(t) - time.Duration(h.FromMin)*time.Minute + aDay) % aDay
	long := (time.Duration(h.ToMin-h.FromMin)*time.Minute + aDay) % aDay
	return max(0, long-into)
}

// ofDay is the local time of day.
func ofDay(t time.Time) time.Duration {
	local := t.Local()
	return time.Duration(local.Hour())*time.Hour + time.Duration(local.Minute())*time.Minute + time.Duration(local.Second())*time.Second
}

// String writes the span as clock times.
func (h Span) String() string {
	return fmt.Sprintf("%02d:%02d to %02d:%02d", h.FromMin/60, h.FromMin%60, h.ToMin/60, h.ToMin%60)
}
