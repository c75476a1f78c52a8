package heat

import (
	"math"
	"time"
)

// median3 replaces each reading by the median of the newest three, and skips those that no body can
// have jumped to. The board's replies have no checksum: a damaged digit must neither stop a run nor
// hide a fault.
type median3 struct {
	last    [2]float64
	n       int
	at      time.Duration
	skipped int // readings in a row that were skipped
}

// plausible reports whether the newest reading can follow the previous one.
func (m *median3) plausible() bool { return m.n > 1 && m.skipped == 0 }

// No nozzle or bed of a small printer changes faster; common practice, no source. After maxSkipped
// readings in a row that do, they are believed.
const (
	jumpC, jumpCPerS = 10, 15
	maxSkipped       = 3
)

// add applies a reading and returns the median; false before there are three readings, and for a
// skipped one.
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
