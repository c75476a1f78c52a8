package supervisor

import "beltwarden/supervisor/ledger"

// change carries out a command of the standard if the table has it, and enters the state it leads to.
func (m *Machine) change(c Command, why Cause) bool {
	to, ok := Transition(m.state, c)
	if !ok {
		return false
	}
	m.interruptRescale("the machine went on to " + to.String())
	m.interruptSetup("the machine went on to " + to.String())
	if c == Stop || c == Abort {
		m.interruptTrial(why.Text)
	}
	if c == Abort && !m.unfinished { // otherwise the fault belongs to an earlier process, see restoreState
		m.noteFault(m.state)
	}
	m.state, m.since = to, m.now
	m.timers.enter(to)
	m.cause = why
	if c == Abort && why.Code == CauseHeat {
		m.latchHeatFault(why.Text)
	}
	m.record(ledger.StateChanged{State: to.String(), Reason: why.Text})
	m.enter()
	return true
}

// stateComplete ends the present acting state.
func (m *Machine) stateComplete() {
	why := m.cause
	switch m.state {
	case Starting, Unholding, Unsuspending:
		m.lot.nextBeginsHot = true
		why = Cause{CauseDone, ""}
	case Resetting, Clearing:
		why = Cause{CauseDone, ""}
	}
	m.change(StateComplete, why)
}

// enter runs a state's entry action.
func (m *Machine) enter() {
	switch m.state {
	case Resetting:
		m.enterResetting()
	case Idle:
		m.enterIdle()
	case Starting:
		m.cancelProof() // heating begins here
		m.setLegs(m.startLegs())
	case Execute:
		m.enterExecute()
	case Completing:
		m.work.after = m.completeLegs
		m.finishPart()
	case Complete:
		m.enterComplete()
	case Holding, Suspending:
		m.work.after = m.parkLegs
		m.finishPart()
	case Held, Suspended:
		m.enterHeld()
	case Unholding, Unsuspending:
		m.cancelProof()
		m.setLegs(m.reheatLegs())
	case Stopping:
		m.enterStopping()
	case Stopped:
		m.enterStopped()
	case Aborting:
		m.enterAborting()
	case Aborted:
		m.enterAborted()
	case Clearing:
		m.enterClearing()
	}
}

// finishPart makes and discharges a part in progress, then continues with the legs that the state adds
// (work.after). A hold takes effect between parts.
func (m *Machine) finishPart() {
	if m.work.running != 0 || len(m.work.legs) > 0 || m.work.waiting != nil {
		return // the legs in progress end in workDone
	}
	m.workDone()
}

// workDone is called when the last leg of a state has ended.
func (m *Machine) workDone() {
	if after := m.work.after; after != nil {
		m.work.after = nil
		m.setLegs(after())
		return
	}
	if m.state == Execute {
		m.betweenParts()
		return
	}
	m.stateComplete()
}

// enterExecute begins the next part, or whatever is due instead.
func (m *Machine) enterExecute() {
	m.timers.set(timerSave, m.now.Add(m.set.ProgressEvery))
	m.betweenParts()
}
