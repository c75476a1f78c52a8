package supervisor

import (
	"fmt"
	"time"
)

// clockWatch notices when the wall clock is set, and when it cannot be right. Nothing that the machine does depends on it
// but the attended hours.
type clockWatch struct {
	began  time.Time // of this process
	last   time.Time // the newest step
	newest time.Time // wall time of the newest row of an earlier start; zero: none
}

const (
	// clockMoved is by how much the clock must have been set to be told.
	clockMoved = time.Minute
	// clockBehind is how far it may lie behind the newest row.
	clockBehind = 2 * time.Minute
	// clockDoubtFor is how long the ledger's word is held against a clock that lies behind: it may have been the earlier
	// one that was wrong.
	clockDoubtFor = time.Hour
)

// watchClock notes that the clock was set, or at the first step that it is in doubt.
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
	text := fmt.Sprintf("this computer's clock was set %s by about %s, to %s", way, longWords(moved.Abs()), m.now.Local().Format(clockFormat))
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

// clockUnset says whether the clock shows a time before this program was made.
func (m *Machine) clockUnset() bool { return m.now.Before(m.set.ClockFloor) }

// clockDoubt says why the clock cannot be right, "" where nothing speaks against it.
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

// shown is an earlier reading of the clock, told by the clock as it stands now: so that what is told beside the present
// time lies as far from it as it was.
func (m *Machine) shown(t time.Time) time.Time {
	if t.IsZero() || setBy(t, m.now).Abs() < time.Second {
		return t
	}
	return m.now.Add(-m.now.Sub(t))
}

// longWords tells a length of time of any size.
func longWords(d time.Duration) string {
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
