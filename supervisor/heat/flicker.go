package heat

import "time"

// flicker learns how long a working sensor shows the same value while its heater holds a
// temperature. Every sensor has noise; whether it shows depends on the board's resolution and
// filter. A run of one value many times as long as the longest of many earlier ones is no chance.
type flicker struct {
	seen         bool
	c            float64
	at           time.Duration // of the newest reading
	from         time.Duration // when it first showed c
	same         int           // readings of c so far
	changes      int
	longest      time.Duration
	mostReadings int // readings of the longest run
}

// What must be seen before a sensor counts as stuck, and how much longer than before its value must
// stay (common practice, no source). A lost reading ends no run.
const (
	flickerChanges     = 30
	flickerTimes       = 12
	flickerMinReadings = 30 // readings
	flickerFor         = time.Minute
	flickerFrom        = 2 * time.Minute // after the target was reached, before learning begins
)

// add applies a raw reading and returns for how long it has been the same. held: the heater holds a
// temperature.
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

// limit is how long this sensor may show one value; unlimited while too little is known of it.
func (f *flicker) limit() time.Duration {
	if f.changes < flickerChanges || f.same < max(flickerMinReadings, flickerTimes*f.mostReadings) {
		return never
	}
	return max(flickerFor, flickerTimes*f.longest)
}
