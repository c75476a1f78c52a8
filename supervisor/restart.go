package supervisor

import (
	"fmt"
	"time"

	"beltwarden/supervisor/ledger"
)

// stateOf returns the last state that the last process recorded. One that cannot be read is assumed to
// be the worst.
func stateOf(last *ledger.State) State {
	was := Stopped
	if last != nil && was.UnmarshalText([]byte(last.State)) != nil {
		return Aborted
	}
	return was
}

// restoreState chooses the first state. Unfinished work is a fault: the board may be hot and a part may lie
// under the head, so the machine is made safe and then waits for the operator. Otherwise it is simply
// stopped. shown: its heaters were shown to be off since.
func (m *Machine) restoreState(last *ledger.State, shown bool) {
	if last == nil {
		m.cause = Cause{CauseOperator, "first start"}
		return
	}
	was := stateOf(last)
	unfinished := m.cycle != nil
	switch was {
	case Aborted:
		if m.abortedByFault() {
			m.restoreAborted(last, shown)
			return
		}
		m.guard.MarkMaybeOn() // the board may not have been reached since
		if !shown {
			m.guard.AssumeOn()
		}
	case Stopped, Idle, Complete, Resetting, Clearing:
	default:
		unfinished = true
	}
	m.cause = Cause{CauseRestart, "the daemon restarted; the machine was " + was.String()}
	if unfinished {
		m.guard.MarkMaybeOn()
		m.guard.AssumeOn()
		m.unfinished = true
		m.cause.Text = fmt.Sprintf("the daemon ended while the machine was %s", was)
		if m.resumption.from = was; was == Starting {
			m.resumption.from = Aborting // whether its lead-in had begun is not recorded
		}
	}
}

// Begin takes the first step after NewMachine: towards a board that is ready, or towards safety.
func (m *Machine) Begin(now time.Time) Output {
	m.now = now
	m.out = Output{}
	m.by = "the daemon"
	m.beginCare()
	m.endInterruptedTrial()
	switch {
	case m.state == Aborted:
		m.note("recovery", "the daemon restarted; the machine stays Aborted: "+m.cause.Text)
		m.openLink() // its readings must show that the heaters are off
	case m.unfinished:
		m.note("recovery", m.cause.Text)
		m.change(Abort, m.cause) // it records the belt's position, which a second restart must not count again
		m.unfinished = false
	default:
		m.endHold("restart")
		m.change(Reset, m.cause)
	}
	m.by = ""
	m.watchClock()
	return m.out
}

// discharging reports whether the last part, made but not moved off, was being moved off when the last
// process ended in state was. In other states it was given up, which is recorded with the belt no
// longer known to be clear, and the operator may have cleared it since.
func (m *Machine) discharging(was State) bool {
	switch was {
	case Execute, Completing, Holding, Suspending, Stopping:
		return m.belt.known
	}
	return false
}

// restoreCycle restores a cycle that an earlier process left open, and computes how far it may have moved
// the belt unobserved. The discharge begins only once the part's count is durable, so a part that is
// not counted has run at most its body.
func (m *Machine) restoreCycle(last *ledger.Cycle) {
	j := m.lot.Jobs[last.JobIndex]
	c := &cycle{lot: m.lot, seq: last.Seq, job: last.JobIndex, ordinal: last.Ordinal, endNumber: last.EndNumber,
		made: last.State == ledger.CycleStateMade, fromLedger: true, filamentMM: j.FilamentMMPerCycle}
	whole, from := j.BeltTravelMMPerCycle, last.BegunBelt
	if c.made {
		from = last.MadeBelt
	}
	switch plan := m.lot.plans[last.JobIndex]; {
	case plan != nil && c.made:
		whole -= plan.BeltTravelMM
	case plan != nil:
		whole = plan.BeltTravelMM
		c.uncertainAdvanceMM = plan.BeltAdvanceMM - (m.belt.base.AdvanceMM - from.AdvanceMM)
	}
	c.uncertainMM = max(0, whole-(m.belt.base.TravelMM-from.TravelMM))
	m.cycle = c
	if m.belt.known { // otherwise an earlier restart has counted it
		m.belt.uncertainMM += c.uncertainMM
		if plan := m.lot.plans[last.JobIndex]; plan != nil && len(m.lot.plans) > 1 && !c.made {
			// The lead-in of a further job belongs to its first part.
			m.belt.uncertainMM += plan.LeadInBeltMM
		}
	}
	m.belt.known = false
}
