package supervisor

import (
	"fmt"
	"time"
)

// clockWatch notices when the wall clock is set, and when it cannot be right. Of all that the machine
// does, only the attended hours depend on it.
type clockWatch struct {
	began  time.Time // of this process
	last   time.Time // the newest step
	newest time.Time // wall time of the newest row of an earlier start; zero: none
}

const (
	// clockMoved is the smallest change of the clock that is reported.
	clockMoved = time.Minute
	// clockBehind is how far the clock may lie behind the newest row.
	clockBehind = 2 * time.Minute
	// clockDoubtFor is how long a clock that lies behind the ledger's newest row counts as doubtful.
	// After that, the earlier clock may have been the wrong one.
	clockDoubtFor = time.Hour
)

// watchClock records that the clock was set or, at the first step, that it is doubtful.
func (m *Machine) watchClock() {
	last := m.clock.last
	m.clock.last = m.now
	if last.IsZero() {
		if text := m.clockDoubt(); text != "" {
			m.note("clock", text)
		}
		return
	}
	moved := setBy(last, m.now)
	way := "forward"
	if moved < 0 {
		way = "back"
	}
	if moved.Abs() < clockMoved {
		return
	}
	text := fmt.Sprintf("this computer's clock was set %s by about %s, to %s", way, longDuration(moved.Abs()), m.now.Local().Format(clockFormat))
	if moved > 0 {
		text += ", or the computer slept"
	}
	if doubt := m.clockDoubt(); doubt != "" {
		text += "; " + doubt
	}
	m.note("clock", text)
}

const clockFormat = "2006-01-02 15:04"

// setBy is by how much the clock was set between two readings of it.
func setBy(from, to time.Time) time.Duration {
	return to.Round(0).Sub(from.Round(0)) - to.Sub(from)
}

// clockUnset reports whether the clock shows a time before this program was built.
func (m *Machine) clockUnset() bool { return m.now.Before(m.set.ClockFloor) }

// clockDoubt returns why the clock cannot be right, "" if nothing suggests that.
func (m *Machine) clockDoubt() string {
	shows := m.now.Local().Format(clockFormat)
	switch {
	case m.clockUnset():
		return fmt.Sprintf("this computer's clock is not set: it shows %s, before this program was built; set it, or connect it to a network time source", shows)
	case m.now.Sub(m.clock.began) < clockDoubtFor && m.now.Round(0).Before(m.clock.newest.Add(-clockBehind)):
		return fmt.Sprintf("this computer's clock shows %s but the newest record is of %s: one of them is wrong; check the clock", shows,
			m.clock.newest.Local().Format(clockFormat))
	}
	return ""
}

// toPresentClock converts an earlier reading of the clock to the present clock, so that it lies as far from the
// present time as it did.
func (m *Machine) toPresentClock(t time.Time) time.Time {
	if t.IsZero() || setBy(t, m.now).Abs() < time.Second {
		return t
	}
	return m.now.Add(-m.now.Sub(t))
}

// longDuration formats a duration of any size.
func longDuration(d time.Duration) string {
	const day = 24 * time.Hour
	switch {
	case d >= 730*day:
		return fmt.Sprintf("%.0f years", d.Hours()/24/365.25)
	case d >= 2*day:
		return fmt.Sprintf("%.0f days", d.Hours()/24)
	case d >= 2*time.Hour:
		return fmt.Sprintf("%.0f hours", d.Hours())
	}
	return minutes(d)
}
