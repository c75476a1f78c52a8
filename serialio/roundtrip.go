package serialio

import "time"

// roundTripBounds are the upper ends of the classes of [RoundTrips]. A line to an
// idle board takes a few milliseconds; one behind a full planner waits for a move
// to end, and one that heats or waits takes as long as it takes.
var roundTripBounds = [...]time.Duration{
	time.Millisecond, 2 * time.Millisecond, 5 * time.Millisecond,
	10 * time.Millisecond, 20 * time.Millisecond, 50 * time.Millisecond,
	100 * time.Millisecond, 200 * time.Millisecond, 500 * time.Millisecond,
	time.Second, 2 * time.Second, 5 * time.Second,
}

// RoundTrips counts lines by the time from handing the last byte of a line to the
// port's writer to the board's answer. The zero value is empty.
type RoundTrips struct {
	// Counts holds the lines of each class of [RoundTripBounds], and last those beyond
	// all of them.
	Counts [len(roundTripBounds) + 1]uint64 `json:"counts"`
	Sum    time.Duration                    `json:"sum_ns"`
}

// RoundTripBounds returns the upper ends of the classes, each included in its class.
func RoundTripBounds() []time.Duration { return roundTripBounds[:] }

// observe counts one line.
func (r *RoundTrips) observe(d time.Duration) {
	i := 0
	for i < len(roundTripBounds) && d > roundTripBounds[i] {
		i++
	}
	r.Counts[i]++
	r.Sum += d
}

// Add counts the lines of another connection in.
func (r *RoundTrips) Add(other RoundTrips) {
	for i, n := range other.Counts {
		r.Counts[i] += n
	}
	r.Sum += other.Sum
}

// Lines returns how many lines were counted.
func (r *RoundTrips) Lines() uint64 {
	n := uint64(0)
	for _, c := range r.Counts {
		n += c
	}
	return n
}
