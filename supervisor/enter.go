package supervisor

import "beltwarden/supervisor/ledger"

// change carries out a command of the standard if the table has it, and enters
// the state it leads to.
func (m *Machine) change(c Command, why Cause, out *Output) bool {
	to, ok := Transition(m.state, c)
	if !ok {
		return false
	}
	m.rescaleBroken("the machine went on to "+to.String(), out)
	if c == Stop || c == Abort {
		m.trialBroken(why.Text, out)
	}
	if c == Abort && !m.recover { // else the fault struck an earlier process, see resume
		m.noteFault(m.state)
	}
	m.state, m.since = to, m.now
	m.timers.enter(to)
	m.cause = why
	if c == Abort && why.Code == CauseHeat {
		m.latchHeat(why.Text, out)
	}
	m.record(out, ledger.StateChanged{State: to.String(), Reason: why.Text})
	m.enter(out)
	return true
}

// completed ends the present acting state.
func (m *Machine) completed(out *Output) {
	why := m.cause
	switch m.state {
	case Starting, Unholding, Unsuspending:
		m.lot.heated = true
		why = Cause{CauseDone, ""}
	case Resetting, Clearing:
		why = Cause{CauseDone, ""}
	}
	m.change(StateComplete, why, out)
}

// enter does what a state does on entry.
func (m *Machine) enter(out *Output) {
	switch m.state {
	case Resetting:
		m.enterResetting(out)
	case Idle:
		m.enterIdle(out)
	case Starting:
		m.dropProof() // from here on they heat
		m.setLegs(m.startLegs(), out)
	case Execute:
		m.enterExecute(out)
	case Completing:
		m.work.after = m.completeLegs
		m.finishPart(out)
	case Complete:
		m.enterComplete(out)
	case Holding, Suspending:
		m.work.after = m.parkLegs
		m.finishPart(out)
	case Held, Suspended:
		m.enterHeld(out)
	case Unholding, Unsuspending:
		m.dropProof()
		m.setLegs(m.reheatLegs(), out)
	case Stopping:
		m.enterStopping(out)
	case Stopped:
		m.enterStopped(out)
	case Aborting:
		m.enterAborting(out)
	case Aborted:
		m.enterAborted(out)
	case Clearing:
		m.enterClearing(out)
	}
}

// finishPart lets a part in progress be made and discharged, then goes on with
// the legs that the state adds (work.after). A hold takes effect between parts.
func (m *Machine) finishPart(out *Output) {
	if m.work.running != 0 || len(m.work.legs) > 0 || m.work.waiting != nil {
		return // the legs under way end in workDone
	}
	m.workDone(out)
}

// workDone is called when the last leg of a state has ended.
func (m *Machine) workDone(out *Output) {
	if after := m.work.after; after != nil {
		m.work.after = nil
		m.setLegs(after(), out)
		return
	}
	if m.state == Execute {
		m.boundary(out)
		return
	}
	m.completed(out)
}

// enterExecute begins the next part, or whatever is due instead.
func (m *Machine) enterExecute(out *Output) {
	m.timers.set(timerSave, m.now.Add(m.set.ProgressEvery))
	m.boundary(out)
}
