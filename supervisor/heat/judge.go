package heat

import (
	"fmt"
	"time"
)

// rise judges a heater that heats up.
func (w *Watch) rise(r Reading, m *Model, still time.Duration, add func(Kind, bool, string, ...any)) {
	if r.C >= r.TargetC-w.lim.NearC {
		w.phase, w.near = holding, r.At
		return
	}
	if r.C >= w.anchorC+w.lim.RiseC {
		w.anchorC, w.anchor = r.C, r.At
	}
	if d := r.At - w.anchor; d >= w.patience(r, w.lim.RiseWithin) {
		why := "the heater, the sensor or a wire is broken or loose" + OrNoMains
		if still >= d {
			why = "its reading does not change at all: the sensor or the heater is broken or loose" + OrNoMains
		}
		add(Slow, true, "is at %.1f °C of %.0f and has gained less than %.0f degrees in %s: %s", r.C, r.TargetC, w.lim.RiseC, durationText(d), why)
	}
	w.compare(r, m, add)
}

// lowFor: no controller takes this long to return to a target that its heater can hold (common
// practice, no source).
const lowFor = 3 * time.Minute

// hold judges a heater at its target.
func (w *Watch) hold(r Reading, still time.Duration, add func(Kind, bool, string, ...any)) {
	switch {
	case r.C >= r.TargetC-w.lim.FallC:
		w.below = never
	case w.below == never:
		w.below = r.At
	case r.At-w.below >= w.patience(r, w.lim.FallFor):
		add(Fallen, true, "had reached %.0f °C and has stayed near %.1f for %s: it loses heat, its sensor has come out"+OrNoMains, r.TargetC, r.C, durationText(r.At-w.below))
	}
	switch {
	case r.C >= r.TargetC-w.lim.NearC:
		w.low = never
	case w.low == never:
		w.low = r.At
	case r.At-w.low >= w.patience(r, lowFor):
		add(Fallen, true, "had reached %.0f °C and has stayed near %.1f for %s: its heater is too weak, its sensor has come out"+OrNoMains, r.TargetC, r.C, durationText(r.At-w.low))
	}
	switch {
	case r.C <= r.TargetC+w.lim.OverC:
		w.above = never
	case w.above == never || r.C < w.aboveC-w.lim.RiseC:
		w.above, w.aboveC = r.At, r.C // it cools
	case r.At-w.above >= w.patience(r, w.lim.OverFor) || !r.Assumed && min(r.C, w.last.C) > r.TargetC+2*w.lim.OverC:
		add(Over, true, "is at %.1f °C, was set to %.0f and does not cool: its heater may be stuck on", r.C, r.TargetC)
	}
	heldFor := w.lim.HeldFor
	if w.stepC < finestC {
		heldFor = finestFor
	}
	if w.stepC > 0 && w.stepC < fineC && still >= heldFor {
		add(Still, true, "has shown exactly %.2f °C for %s: do not trust its sensor", r.C, durationText(still))
	}
}

// fall judges a heater that must cool or is off. Warmth from outside does not count.
func (w *Watch) fall(r Reading, nearbyC float64, m *Model, still time.Duration, add func(Kind, bool, string, ...any)) {
	if r.TargetC > 0 && r.C <= r.TargetC+w.lim.NearC {
		w.phase, w.near = holding, r.At
		return
	}
	surroundC := nearbyC
	if m.HasAmbient {
		surroundC = max(surroundC, m.AmbientC)
	}
	w.leastC = min(w.leastC, r.C)
	// A body keeps getting warmer for a moment after its heater is off, but not by much.
	if r.At-w.from < w.lim.OverFor {
		w.leastC = min(max(w.leastC, r.C), w.fromC+w.lim.OverC)
	}
	if r.C <= w.leastC+w.lim.OverC || r.C <= surroundC+w.lim.OverC {
		w.risenInARow = 0
	} else if w.risenInARow++; w.risenInARow >= 3 {
		asked := "is switched off"
		if r.TargetC > 0 {
			asked = fmt.Sprintf("was set to %.0f", r.TargetC)
		}
		add(Over, true, "has risen from %.1f to %.1f °C though it %s: its heater may be stuck on", w.leastC, r.C, asked)
	}
	warm := r.C > surroundC+warmC && r.C > warmC+20
	if r.At-w.from >= w.lim.OverFor {
		if !w.turned || r.C < w.settled {
			w.settled, w.turned = r.C, true
		}
		if warm && r.C >= w.settled+warmRiseC {
			add(Over, true, "has risen from %.1f to %.1f °C long after it should cool: its heater may be stuck on", w.settled, r.C)
		}
	}
	if r.C <= w.cooledC-coolsC || !warm {
		w.cooledC, w.cooled = r.C, r.At
	}
	if d := r.At - w.cooled; d >= coolsFor {
		add(Over, true, "is at %.1f °C and has not cooled in %s as it should: its heater may be stuck on", r.C, durationText(d))
		w.cooledC, w.cooled = r.C, r.At
	}
	if still >= w.lim.StillFor && warm {
		add(Still, true, "has shown %.1f °C for %s when it must cool: do not trust its sensor", r.C, durationText(still))
	}
}

// warmRiseC: surroundings do not warm a body that is well above them by this much.
const warmRiseC = 5

// undriven finds a heater that keeps getting warmer although the board reports that it does not
// drive it.
type undriven struct {
	on     bool
	since  time.Duration // when the drive was first reported as 0
	rising bool
	lowC   float64 // where the present rise began
	low    time.Duration
	highC  float64 // and how far it has come
}

// How far a rise must go to be no residual effect of earlier drive; common practice, no source. A
// heater that is switched on and off may be on only between two reports, and its sensor responds
// late: such a rise ends within half a minute, or stays within its swing about the target if
// reports are in step with quick switching. The first undrivenLag after the drive is ignored.
const (
	undrivenC   = 3
	undrivenFor = 40 * time.Second
	undrivenLag = 15 * time.Second
	turnsC      = 1
	swingsC     = 5
)

func (u *undriven) observe(r Reading, nearbyC float64, add func(Kind, bool, string, ...any)) {
	if !r.HasDuty || r.Duty != 0 {
		*u = undriven{}
		return
	}
	if !u.on {
		*u = undriven{on: true, since: r.At}
	}
	if r.At-u.since < undrivenLag {
		return
	}
	if !u.rising || r.C < u.lowC || r.C < u.highC-turnsC {
		u.rising, u.lowC, u.low, u.highC = true, r.C, r.At, r.C
	}
	u.highC = max(u.highC, r.C)
	if r.C >= u.lowC+undrivenC && r.At-u.low >= undrivenFor && r.C >= nearbyC+warmC && r.C >= warmC+20 && (r.TargetC == 0 || r.C >= r.TargetC+swingsC) {
		add(Over, true, "has risen from %.1f to %.1f °C though the board does not drive it: its heater may be stuck on", u.lowC, r.C)
	}
}

// durationText formats a time in seconds or minutes.
func durationText(d time.Duration) string {
	d = d.Round(time.Second)
	if d >= 10*time.Minute {
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.0f s", d.Seconds())
}

// NewTarget notes that the target was another one since the last reading, even if the next reading
// has the old one.
func (w *Watch) NewTarget() { w.targetChanged, w.cooled = true, never }

// riseWhileOff is how much the reading of a heater that is off has risen since it was switched off.
func (w *Watch) riseWhileOff() float64 {
	if !w.seen || w.last.TargetC > 0 {
		return 0
	}
	return w.last.C - w.fromC
}
