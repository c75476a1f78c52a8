package rig

import (
	"math"
	"time"
)

const (
	idleRate  = 2000                             // machine seconds per wall second of an idle board at speed 0
	graceWall = time.Millisecond                 // at speed 0, how long unfinished moves wait for more lines
	never     = time.Duration(math.MaxInt64 / 4) // later than any event
)

// clock turns wall time into machine time, which is counted from the rig's start.
// At speed 0 its rate changes with what the board is doing; see Rig.pace.
type clock struct {
	wall time.Time     // when
	base time.Duration // it was this late on the machine
	rate float64       // and how fast it has run since
}

// at returns the machine time at a wall time.
func (c *clock) at(wall time.Time) time.Duration {
	d := wall.Sub(c.wall)
	if d < 0 {
		d = 0
	}
	if c.rate == 1 {
		return c.base + d
	}
	m := float64(d) * c.rate
	if m > float64(never) {
		return never
	}
	return c.base + time.Duration(m)
}

// until returns the wall time that must pass from wall until machine time m, or
// never if the clock stands still.
func (c *clock) until(wall time.Time, m time.Duration) time.Duration {
	if m >= never || c.rate == 0 {
		return never
	}
	due := m - c.base
	if c.rate != 1 {
		// Rounded up, so that a timer set by it never fires before m.
		due = time.Duration(math.Ceil(float64(due) / c.rate))
	}
	return max(0, due-wall.Sub(c.wall))
}

// rebase makes the clock show m now and run on at the rate.
func (c *clock) rebase(wall time.Time, m time.Duration, rate float64) {
	c.wall, c.base, c.rate = wall, m, rate
}

// after returns the machine time a number of seconds after t.
func after(t time.Duration, seconds float64) time.Duration {
	if seconds > float64(never)/1e9 {
		return never
	}
	return t + time.Duration(math.Round(seconds*1e9))
}
