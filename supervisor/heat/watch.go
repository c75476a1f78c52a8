package heat

import (
	"fmt"
	"math"
	"time"
)

// Kind is a kind of finding of a [Watch].
type Kind string

// What can be wrong with a heater or its sensor.
const (
	Ceiling Kind = "ceiling" // hotter than it may ever be
	Slow    Kind = "slow"    // driven, and does not get warmer
	Fallen  Kind = "fallen"  // had reached its target, and lost it
	Over    Kind = "over"    // gets or stays warmer than its target
	Still   Kind = "still"   // the reading does not change although it must
	Absurd  Kind = "absurd"  // no working sensor reads this
	Drifted Kind = "drifted" // no fault yet, but differs from what was learned
)

// Finding is something wrong with a heater or its sensor. Text begins with the heater's name.
// Fault: it must not be heated any longer.
type Finding struct {
	Kind  Kind
	Fault bool
	Text  string
}

// Limits are what the readings of one heater are judged by. Firmware has protections of the same
// kinds; these are in addition, since not every board has them switched on.
type Limits struct {
	Name     string  // of the heater, in words
	CeilingC float64 // no reading may be above it; 0: not judged
	// The reading must rise by RiseC within RiseWithin, repeatedly, until it is near the target.
	RiseC      float64
	RiseWithin time.Duration
	// FallC below a target that was reached, for FallFor, is a loss of heat.
	FallC   float64
	FallFor time.Duration
	// OverC above the target for OverFor without cooling, or twice that at once, or OverC above the
	// lowest reading since the target was lowered, is heat that nobody commanded.
	OverC   float64
	OverFor time.Duration
	// StillFor is how long the reading of a driven or cooling heater may stay exactly the same,
	// HeldFor that of one held at its target.
	StillFor, HeldFor time.Duration
	// NearC is how close to the target a controller begins to ease in.
	NearC float64
}

// minC: an open sensor reads as far below freezing as its table goes; no workshop does (common
// practice, no source).
const minC = -10

// fineC: a sensor with a finer resolution than this flickers. A coarser one may show one value for
// as long as its controller holds it; it is judged when it must cool.
const fineC = 0.06

// A sensor that shows the last digit that boards report shows its noise too: no run of one value
// lasts for finestFor (common practice, no source).
const (
	finestC   = 0.025
	finestFor = 4 * time.Minute
)

// OrNoMains ends every text about a heater that lacks heat: a board on USB power runs without
// mains, and reports everything but heat as usual.
const OrNoMains = ", or the machine has no mains power: treat it as live"

// warmC is how far a body must be above its surroundings for its cooling to show.
const warmC = 30

// A warm body whose heater is off loses coolsC within coolsFor, repeatedly: at warmC above its
// surroundings, one that takes half an hour to lose two thirds of that does so in a minute (common
// practice, no source).
const (
	coolsC   = 1
	coolsFor = 20 * time.Minute
)

// phase is what a heater should be doing.
type phase uint8

const (
	resting phase = iota // off, or unknown
	rising               // heating up to the target
	holding              // at the target
	falling              // cooling to a lower target, or off and warm
)

// Watch judges one heater's readings by its targets. It reports each fault once; a new target or
// [Watch.Forget] starts over. Each reading costs the same time.
type Watch struct {
	lim   Limits
	phase phase
	found map[Kind]bool

	seen          bool
	last          Reading
	calm          median3
	targetChanged bool          // the target has changed since the newest reading that was judged
	anchorC       float64       // rising: from which the next gain counts
	anchor        time.Duration // and when that was read
	from          time.Duration // when the phase began
	fromC         float64
	near          time.Duration // holding: since when
	leastC        float64       // falling: least since
	cooledC       float64       // falling: from which the next loss counts
	cooled        time.Duration // and when that was read
	below         time.Duration // holding: since when too cold; never: not
	low           time.Duration // holding: since when no longer near; never: not
	above         time.Duration // holding: since when too warm
	aboveC        float64       // and how warm it was then
	lastChange    time.Duration // when the reading last changed
	stepC         float64       // least difference between two readings: what the sensor resolves
	flicker       flicker
	overCeiling   int     // readings in a row above the ceiling
	risenInARow   int     // readings in a row that rise while off
	settled       float64 // falling: lowest since residual heat must have passed
	turned        bool    // settled is set
	undriven      undriven
	absurdInARow  int     // absurd readings in a row
	start         Reading // rising: from which the learned law is compared
	started       bool
	behindInARow  int // readings in a row behind the learned law
}

const never = time.Duration(math.MaxInt64)

// NewWatch returns a watch without readings.
func NewWatch(l Limits) *Watch {
	w := &Watch{lim: l}
	w.Forget()
	return w
}

// Forget starts over: the next readings are another board's, or a fault was repaired.
func (w *Watch) Forget() {
	*w = Watch{lim: w.lim, found: make(map[Kind]bool), below: never, low: never, above: never, flicker: w.flicker}
	w.flicker.same = 0 // what was learned of the sensor stays; the next reading begins a run
}

// Observe applies a reading, timed as for [Learner.Observe], and returns the findings. nearbyC is
// the temperature of a body close by that may warm this one.
func (w *Watch) Observe(r Reading, nearbyC float64, m *Model) []Finding {
	var found []Finding
	add := func(kind Kind, fault bool, format string, args ...any) {
		if !w.found[kind] {
			w.found[kind] = true
			found = append(found, Finding{kind, fault, w.lim.Name + " " + fmt.Sprintf(format, args...)})
		}
	}
	if math.IsNaN(r.TargetC) || w.seen && r.At <= w.last.At || r.At <= w.calm.at {
		return nil
	}
	if w.isAbsurd(r) {
		if w.absurdInARow >= 2 { // the board's replies have no checksum: one may be damaged
			shows := fmt.Sprintf("%.1f °C", r.C)
			if math.IsNaN(r.C) {
				shows = "an impossible temperature"
			}
			add(Absurd, true, "shows %s, which no working sensor does: its sensor or wire is broken", shows)
		}
		return found
	}
	if w.seen && r.At-w.calm.at > gap {
		w.calm, w.targetChanged = median3{}, true // earlier readings say nothing about now
	}
	rawC := r.C
	var sure bool
	if r.C, sure = w.calm.add(r.At, r.C); !sure {
		if !w.seen {
			w.last, w.seen, w.targetChanged = r, true, true
		}
		return found
	}
	if w.lim.CeilingC > 0 && r.C > w.lim.CeilingC {
		if w.overCeiling++; w.overCeiling >= 2 {
			add(Ceiling, true, "is at %.1f °C, above its ceiling of %.0f", r.C, w.lim.CeilingC)
		}
	} else {
		w.overCeiling = 0
	}
	if r.TargetC != w.last.TargetC {
		// A target reported once may be damaged, and the reading may be older than it.
		w.targetChanged, w.last = true, r
		return found
	}
	if w.targetChanged {
		w.targetChanged = false
		w.begin(r)
	}
	raw := w.flicker.add(r.At, rawC, w.phase == holding && r.At-w.near >= flickerFrom)
	if r.C != w.last.C {
		w.lastChange = r.At
		if d := math.Abs(r.C - w.last.C); w.seen && (w.stepC == 0 || d < w.stepC) {
			w.stepC = d
		}
	}
	w.undriven.observe(r, nearbyC, add)
	still := r.At - w.lastChange
	if limit := w.flicker.limit(); raw >= limit && w.stepC < fineC && w.phase != resting && (r.TargetC > 0 || r.C > warmC+20) {
		add(Still, true, "has shown exactly %.2f °C for %s, and varied before: do not trust its sensor", rawC, durationText(raw))
	}
	switch w.phase {
	case rising:
		w.rise(r, m, still, add)
	case holding:
		w.hold(r, still, add)
	case falling:
		w.fall(r, nearbyC, m, still, add)
	case resting:
	}
	w.last, w.seen = r, true
	return found
}

// isAbsurd counts readings in a row that no working sensor gives.
func (w *Watch) isAbsurd(r Reading) bool {
	if plausible(r.C) {
		w.absurdInARow = 0
		return false
	}
	w.absurdInARow++
	return true
}

// patience is how long something may last: longer if it is unknown whether the board has the target
// yet.
func (w *Watch) patience(r Reading, d time.Duration) time.Duration {
	if r.Assumed {
		return 5 * d
	}
	return d
}

// plausible reports whether a working sensor can read c.
func plausible(c float64) bool { return c > minC && c < 1000 }

// begin enters the phase that a target leads to.
func (w *Watch) begin(r Reading) {
	clear(w.found)
	w.anchorC, w.anchor, w.from, w.fromC, w.leastC, w.lastChange = r.C, r.At, r.At, r.C, r.C, r.At
	if w.phase != falling || r.TargetC > 0 || w.cooled == never {
		w.cooledC, w.cooled = r.C, r.At // otherwise it has been off all along, and a gap or a damaged target excuses no heat
	}
	w.below, w.low, w.above, w.started, w.behindInARow, w.risenInARow, w.turned = never, never, never, false, 0, 0, false
	switch {
	case r.TargetC > 0 && r.C < r.TargetC-w.lim.NearC:
		w.phase = rising
	case r.TargetC > 0 && r.C <= r.TargetC+w.lim.NearC:
		w.phase, w.near = holding, r.At
	default:
		w.phase = falling
	}
}
