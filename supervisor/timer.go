package supervisor

import (
	"slices"
	"time"
)

// timer is one thing that the machine waits for a time for. A new one is a name here, a line in
// [Machine.fire], and a scope if it must not outlive a state.
type timer uint8

const (
	timerLink       timer = iota // the port is tried again
	timerPoll                    // temperatures are asked for
	timerNozzleLost              // the board has told no temperature of a heater that may be on
	timerBedLost
	timerProof      // the heaters were to be shown off by then
	timerHeatersOff // in a hold
	timerResume     // it goes on by itself
	timerWish       // a word to begin lapses while the board is not there
	timerSave       // how far the belt has got is kept
	timerWait       // bound on a wait for a temperature
	timerStuck      // bound on a program of which the board takes no line
	timerNudge      // the board is told again to leave a wait
	timerAbort      // bound on an abort
	timerScale      // bound on a change of the belt's scale
	timerCount
)

// timers are when each is due; the zero time where it is not armed. There is no other place in
// which the machine waits for a time.
type timers [timerCount]time.Time

func (t *timers) set(n timer, at time.Time) { t[n] = at }
func (t *timers) armed(n timer) bool        { return !t[n].IsZero() }
func (t *timers) stop(list ...timer) {
	for _, n := range list {
		t[n] = time.Time{}
	}
}

// next returns when the first is due; false where none is armed.
func (t *timers) next() (first time.Time, ok bool) {
	for _, at := range t {
		if !at.IsZero() && (!ok || at.Before(first)) {
			first, ok = at, true
		}
	}
	return first, ok
}

// enter stops each that does not belong to a state, which is entered.
func (t *timers) enter(s State) {
	for n := range timerCount {
		if !n.lives(s) {
			t.stop(n)
		}
	}
}

// lives reports whether a timer may run in a state.
func (n timer) lives(s State) bool {
	switch n {
	case timerHeatersOff:
		return s == Held || s == Suspended
	case timerResume:
		return s == Aborted
	case timerAbort:
		return s == Aborting
	}
	return true
}

// run fires everything whose time has come by now, the first due first. Each is disarmed before: what is to
// come again arms itself anew.
func (t *timers) run(now time.Time, fire func(timer)) {
	var due []timer
	for n := range timerCount {
		if t.due(n, now) {
			due = append(due, n)
		}
	}
	slices.SortStableFunc(due, func(a, b timer) int { return t[a].Compare(t[b]) })
	for _, n := range due {
		if t.due(n, now) { // none before it has stopped it or put it off
			t.stop(n)
			fire(n)
		}
	}
}

func (t *timers) due(n timer, now time.Time) bool { return !t[n].IsZero() && !now.Before(t[n]) }

// fire does what a timer is for.
func (m *Machine) fire(n timer) {
	switch n {
	case timerLink:
		m.openLink()
	case timerPoll:
		m.poll()
	case timerNozzleLost, timerBedLost:
		m.readingLost(n)
	case timerProof:
		m.proofFailed()
	case timerHeatersOff:
		m.heatersOff()
		m.note("heat", "heaters switched off; the belt keeps its position")
	case timerResume:
		m.autoResume()
	case timerWish:
		m.wishLapsed()
	case timerSave:
		m.saveBelt()
	case timerWait:
		m.waitedTooLong()
	case timerStuck:
		m.watchProgram()
	case timerNudge:
		m.breakWait()
	case timerAbort:
		m.abortUnconfirmed()
	case timerScale:
		m.rescaleBroken("the board has not answered within " + rescaleWithin.String())
		m.cancel(func() {})
	default:
		panic("no such timer")
	}
}
