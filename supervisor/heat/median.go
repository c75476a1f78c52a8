package heat

import (
	"math"
	"time"
)

// median3 passes readings on as the middle one of the newest three, and leaves out those
// that no body can have jumped to: the board's words carry no checksum, and a damaged
// digit must neither stop a run nor hide a fault.
type median3 struct {
	last    [2]float64
	n       int
	at      time.Duration
	skipped int // readings in a row that were left out
}

// plausible reports whether the newest reading is one that a body can have by the one before it.
func (m *median3) plausible() bool { return m.n > 1 && m.skipped == 0 }

// No nozzle or bed of a small printer changes faster; common practice, no source. A few
// readings in a row that say so are believed.
const (
	jumpC, jumpCPerS = 10, 15
	maxSkipped       = 3
)

// add takes in a reading and returns the one to judge by; false before there are three,
// and for a reading that is left out.
func (m *median3) add(at time.Duration, c float64) (float64, bool) {
	if m.n > 0 && math.Abs(c-m.last[1]) > jumpC+jumpCPerS*(at-m.at).Seconds() {
		if m.skipped++; m.skipped < maxSkipped {
			return c, false
		}
		m.n = 0
	}
	m.skipped = 0
	a, b := m.last[0], m.last[1]
	m.last[0], m.last[1], m.at = b, c, at
	if m.n < 2 {
		m.n++
		return c, false
	}
	return max(min(a, b), min(max(a, b), c)), true
}
