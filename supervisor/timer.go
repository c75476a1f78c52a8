package supervisor

import (
	"slices"
	"time"
)

// timer is one reason to wait for a time. A new one is a name here, a line in [Machine.fire], and a
// scope if it must not outlive a state.
type timer uint8

const (
	timerLink       timer = iota // the port is tried again
	timerPoll                    // temperatures are queried
	timerNozzleLost              // the board has reported no temperature of a heater that may be on
	timerBedLost
	timerProof        // the heaters should have been shown to be off by then
	timerHeatersOff   // in a hold
	timerResume       // the machine resumes by itself
	timerPendingStart // a request to begin lapses while the board is missing
	timerSave         // the belt's position is saved
	timerWait         // bound on a wait for a temperature
	timerStuck        // bound on a program of which the board accepts no line
	timerBreakWait    // the board is sent the command to leave a wait again
	timerAbort        // bound on an abort
	timerScale        // bound on a change of the belt's scale
	timerSetup        // bound on a move of the belt to set it up
	timerCount
)

// timers holds when each is due; the zero time means not armed. The machine waits for a time nowhere
// else.
type timers [timerCount]time.Time

func (t *timers) set(n timer, at time.Time) { t[n] = at }
func (t *timers) armed(n timer) bool        { return !t[n].IsZero() }
func (t *timers) stop(list ...timer) {
	for _, n := range list {
		t[n] = time.Time{}
	}
}

// next returns when the first is due; false if none is armed.
func (t *timers) next() (first time.Time, ok bool) {
	for _, at := range t {
		if !at.IsZero() && (!ok || at.Before(first)) {
			first, ok = at, true
		}
	}
	return first, ok
}

// enter stops each timer that does not belong to the state being entered.
func (t *timers) enter(s State) {
	for n := range timerCount {
		if !n.allowedIn(s) {
			t.stop(n)
		}
	}
}

// allowedIn reports whether a timer may run in a state.
func (n timer) allowedIn(s State) bool {
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

// run fires every timer that is due by now, first due first. Each is disarmed first: one that repeats
// arms itself again.
func (t *timers) run(now time.Time, fire func(timer)) {
	var due []timer
	for n := range timerCount {
		if t.due(n, now) {
			due = append(due, n)
		}
	}
	slices.SortStableFunc(due, func(a, b timer) int { return t[a].Compare(t[b]) })
	for _, n := range due {
		if t.due(n, now) { // no earlier one has stopped or postponed it
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
		m.readingTimedOut(n)
	case timerProof:
		m.proofTimedOut()
	case timerHeatersOff:
		m.heatersOff()
		m.note("heat", "heaters switched off; the belt keeps its position")
	case timerResume:
		m.autoResume()
	case timerPendingStart:
		m.pendingStartExpired()
	case timerSave:
		m.saveBeltPeriodically()
	case timerWait:
		m.waitTimedOut()
	case timerStuck:
		m.programStuck()
	case timerBreakWait:
		m.breakWait()
	case timerAbort:
		m.abortUnconfirmed()
	case timerScale:
		m.interruptRescale("the board has not answered within " + rescaleBound.String())
		m.cancel(func() {})
	case timerSetup:
		m.interruptSetup("the board has not answered in time")
		m.cancel(func() {})
	default:
		panic("no such timer")
	}
}
