package heat

import "time"

// flicker learns how long a sound sensor shows one and the same value while its body is held at
// one temperature. Every sensor has noise; whether it shows depends on what the board resolves, and
// how it filters. What was seen of this one is the measure: a run of one value many times as long as
// the longest of so many is no chance.
type flicker struct {
	seen         bool
	c            float64
	at           time.Duration // of the newest reading
	from         time.Duration // when it first showed c
	same         int           // readings since, with the first
	changes      int
	longest      time.Duration
	mostReadings int // readings of the longest run
}

// What must be seen before a sensor is said to stand still, and how much longer than before it
// must do so (common practice, no source). A reading that is lost ends no run.
const (
	flickerChanges     = 30
	flickerTimes       = 12
	flickerMinReadings = 30 // readings
	flickerFor         = time.Minute
	flickerFrom        = 2 * time.Minute // after the target came near, before it is learned from
)

// add takes in a reading as it was reported and returns for how long it has been the same. held: its
// body is held at one temperature.
func (f *flicker) add(at time.Duration, c float64, held bool) time.Duration {
	if !f.seen || f.same == 0 || at-f.at > gap {
		f.seen, f.c, f.from, f.same = true, c, at, 0
	}
	f.at = at
	if c == f.c {
		f.same++
		return at - f.from
	}
	if held {
		f.changes++
		f.longest, f.mostReadings = max(f.longest, at-f.from), max(f.mostReadings, f.same)
	}
	f.c, f.from, f.same = c, at, 1
	return 0
}

// limit is how long this sensor may show one value; for ever while too little is known of it, or
// where it is not long enough in readings.
func (f *flicker) limit() time.Duration {
	if f.changes < flickerChanges || f.same < max(flickerMinReadings, flickerTimes*f.mostReadings) {
		return never
	}
	return max(flickerFor, flickerTimes*f.longest)
}
