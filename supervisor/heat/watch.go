package heat

import (
	"fmt"
	"math"
	"time"
)

// Kind says what a [Watch] has found.
type Kind string

// What can be wrong with a heater or its sensor.
const (
	Ceiling Kind = "ceiling" // hotter than it may ever be
	Slow    Kind = "slow"    // driven, and does not get warmer
	Fallen  Kind = "fallen"  // had reached its target, and lost it
	Over    Kind = "over"    // gets or stays warmer than it is asked to be
	Still   Kind = "still"   // the reading does not move though the body must
	Absurd  Kind = "absurd"  // no temperature of a sound sensor
	Drifted Kind = "drifted" // not a fault yet: unlike what was learned of it
)

// Finding is something wrong, in words that begin with the heater's name. Fault says
// that it must not go on being heated.
type Finding struct {
	Kind  Kind
	Fault bool
	Text  string
}

// Limits are what the readings of one heater are held to. Firmware has protections of
// the same kinds; these stand beside them, since not every board has them switched on.
type Limits struct {
	Name     string  // of the heater, in words
	CeilingC float64 // no reading may be above it; 0: not judged
	// RiseC must be gained within RiseWithin, again and again, until the target is near.
	RiseC      float64
	RiseWithin time.Duration
	// FallC below a target once reached, for FallFor, is a loss of heat.
	FallC   float64
	FallFor time.Duration
	// OverC above the target for OverFor, and not cooling, or twice that at once, or OverC
	// above the least reading since it was lowered, is heat that nobody asked for.
	OverC   float64
	OverFor time.Duration
	// StillFor is how long a body that is driven or cools may show the very same value,
	// HeldFor one that is held at its target.
	StillFor, HeldFor time.Duration
	// NearC is how close to its target a heater eases in.
	NearC float64
}

// leastC: an open sensor reads as far below freezing as its table goes; no workshop
// does (common practice, no source).
const leastC = -10

// fineC: a sensor that resolves steps below it flickers. A coarser one may well show one
// value for as long as its controller holds it; it is judged when it must cool.
const fineC = 0.06

// warmC is what a body must be above its surroundings for its cooling to show.
const warmC = 30

// phase is what a heater ought to be doing.
type phase uint8

const (
	resting phase = iota // off, or not heard of
	rising               // on its way up to the target
	holding              // has reached it
	falling              // on its way down to a lower target, or off and warm
)

// Watch holds one heater's readings against what it was asked to do. It tells each fault
// once; a new target, or [Watch.Forget], begins anew. Each reading costs the same time.
type Watch struct {
	lim   Limits
	phase phase
	told  map[Kind]bool

	seen    bool
	last    Reading
	anchorC float64       // rising: what the next gain counts from
	anchor  time.Duration // and when that was read
	from    time.Duration // when the phase began
	fromC   float64
	leastC  float64       // falling: least since
	below   time.Duration // holding: since when too cold; never: not
	above   time.Duration // holding: since when too warm
	aboveC  float64       // and how warm it was then
	moved   time.Duration // when the reading last changed
	stepC   float64       // least difference between two readings: what the sensor resolves
	hot     int           // readings in a row above the ceiling
	absurd  int           // or absurd
	start   Reading       // rising: where the learned law is followed from
	started bool
	late    int // readings in a row that are behind it
}

const never = time.Duration(math.MaxInt64)

// NewWatch returns a watch that has not seen a reading.
func NewWatch(l Limits) *Watch {
	w := &Watch{lim: l}
	w.Forget()
	return w
}

// Forget begins anew: the readings to come are another board's, or a fault is dealt with.
func (w *Watch) Forget() {
	*w = Watch{lim: w.lim, told: make(map[Kind]bool), below: never, above: never}
}

// Observe takes in a reading, timed as for [Learner.Observe], and returns what is found
// by it. nearbyC is the temperature of a body close by that may warm this one.
func (w *Watch) Observe(r Reading, nearbyC float64, m *Model) []Finding {
	var found []Finding
	add := func(kind Kind, fault bool, format string, args ...any) {
		if !w.told[kind] {
			w.told[kind] = true
			found = append(found, Finding{kind, fault, w.lim.Name + " " + fmt.Sprintf(format, args...)})
		}
	}
	if math.IsNaN(r.C) || math.IsNaN(r.TargetC) || w.seen && r.At <= w.last.At {
		return nil
	}
	if w.absurdly(r) {
		if w.absurd >= 2 { // the board's words carry no checksum: one may be damaged
			add(Absurd, true, "shows %.1f °C, which no sound sensor does: its sensor or wire is broken", r.C)
		}
		return found
	}
	if w.lim.CeilingC > 0 && r.C > w.lim.CeilingC {
		if w.hot++; w.hot >= 2 {
			add(Ceiling, true, "is at %.1f °C, and may never be above %.0f", r.C, w.lim.CeilingC)
		}
	} else {
		w.hot = 0
	}
	if !w.seen || r.TargetC != w.last.TargetC {
		w.begin(r)
	}
	if r.C != w.last.C {
		w.moved = r.At
		if d := math.Abs(r.C - w.last.C); w.seen && (w.stepC == 0 || d < w.stepC) {
			w.stepC = d
		}
	}
	still := r.At - w.moved
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

// absurdly counts readings that cannot be.
func (w *Watch) absurdly(r Reading) bool {
	if sane(r.C) {
		w.absurd = 0
		return false
	}
	w.absurd++
	return true
}

// sane reports whether a reading can be of a sound sensor.
func sane(c float64) bool { return c > leastC && c < 1000 }

// begin enters the phase that a target leads to.
func (w *Watch) begin(r Reading) {
	clear(w.told)
	w.anchorC, w.anchor, w.from, w.fromC, w.leastC, w.moved = r.C, r.At, r.At, r.C, r.C, r.At
	w.below, w.above, w.started, w.late = never, never, false, 0
	switch {
	case r.TargetC > 0 && r.C < r.TargetC-w.lim.NearC:
		w.phase = rising
	case r.TargetC > 0 && r.C <= r.TargetC+w.lim.NearC:
		w.phase = holding
	default:
		w.phase = falling
	}
}

// rise judges a heater on its way up.
func (w *Watch) rise(r Reading, m *Model, still time.Duration, add func(Kind, bool, string, ...any)) {
	if r.C >= r.TargetC-w.lim.NearC {
		w.phase = holding
		return
	}
	if r.C >= w.anchorC+w.lim.RiseC {
		w.anchorC, w.anchor = r.C, r.At
	}
	if d := r.At - w.anchor; d >= w.lim.RiseWithin {
		why := "heater, sensor or wire is broken or loose"
		if still >= d {
			why = "its reading does not move at all: sensor or heater is broken or loose"
		}
		add(Slow, true, "is at %.1f °C of %.0f and has gained less than %.0f degrees in %s: %s", r.C, r.TargetC, w.lim.RiseC, inWords(d), why)
	}
	w.compare(r, m, add)
}

// hold judges a heater that has reached its target.
func (w *Watch) hold(r Reading, still time.Duration, add func(Kind, bool, string, ...any)) {
	switch {
	case r.C >= r.TargetC-w.lim.FallC:
		w.below = never
	case w.below == never:
		w.below = r.At
	case r.At-w.below >= w.lim.FallFor:
		add(Fallen, true, "had reached %.0f °C and has been at %.1f and thereabouts for %s: it loses heat, or its sensor has come out", r.TargetC, r.C, inWords(r.At-w.below))
	}
	switch {
	case r.C <= r.TargetC+w.lim.OverC:
		w.above = never
	case w.above == never || r.C < w.aboveC-w.lim.RiseC:
		w.above, w.aboveC = r.At, r.C // it cools
	case r.At-w.above >= w.lim.OverFor || min(r.C, w.last.C) > r.TargetC+2*w.lim.OverC:
		add(Over, true, "is at %.1f °C, was asked for %.0f and does not cool: its heater may be on for good", r.C, r.TargetC)
	}
	if w.stepC > 0 && w.stepC < fineC && still >= w.lim.HeldFor {
		add(Still, true, "has shown %.2f °C for %s without the least change: its sensor is not to be believed", r.C, inWords(still))
	}
}

// fall judges a heater that is to cool, or is off. What warms it from outside does not
// count.
func (w *Watch) fall(r Reading, nearbyC float64, m *Model, still time.Duration, add func(Kind, bool, string, ...any)) {
	if r.TargetC > 0 && r.C <= r.TargetC+w.lim.NearC {
		w.phase = holding
		return
	}
	surroundC := nearbyC
	if m.HasAmbient {
		surroundC = max(surroundC, m.AmbientC)
	}
	w.leastC = min(w.leastC, r.C)
	// A body goes on getting warmer for a moment after its heater is off.
	if r.At-w.from < w.lim.OverFor {
		w.leastC = max(w.leastC, r.C)
	}
	if r.C > w.leastC+w.lim.OverC && r.C > surroundC+w.lim.OverC {
		asked := "is switched off"
		if r.TargetC > 0 {
			asked = fmt.Sprintf("was asked for %.0f", r.TargetC)
		}
		add(Over, true, "has risen from %.1f to %.1f °C though it %s: its heater may be on for good", w.leastC, r.C, asked)
	}
	if still >= w.lim.StillFor && r.C > surroundC+warmC && r.C > warmC+20 {
		add(Still, true, "has shown %.1f °C for %s and must cool: its sensor is not to be believed", r.C, inWords(still))
	}
}

// inWords writes a time without needless parts.
func inWords(d time.Duration) string {
	d = d.Round(time.Second)
	if d >= 10*time.Minute {
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.0f s", d.Seconds())
}

// Gained is by how much the reading of a heater that is off has risen since it was.
func (w *Watch) Gained() float64 {
	if !w.seen || w.last.TargetC > 0 {
		return 0
	}
	return w.last.C - w.fromC
}
