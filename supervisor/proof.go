package supervisor

import (
	"time"

	"beltwarden/supervisor/heat"
)

// Kinds of event that record the outcome of the newest proof.
const (
	eventHeatOff   = "heat_off"
	eventHeatDoubt = "heat_doubt"
)

// readingTime is the present time on the clock by which readings are timed.
func (m *Machine) readingTime() time.Duration { return m.now.Sub(m.learned.origin) }

// beginProof begins a proof that the heaters are off, after they were switched off.
func (m *Machine) beginProof() {
	m.guard.BeginProof(m.readingTime())
	m.timers.set(timerProof, m.now.Add(m.set.ProofWithin))
}

// proveIfWarm begins a proof after heaters were switched off in normal operation, unless there is
// nothing to prove, or the proof is in progress or complete. The cooling of a part does not count.
func (m *Machine) proveIfWarm() {
	if m.state == Execute || m.guard.Proving() || m.guard.ShownOff() || !m.guard.Warm() {
		return
	}
	m.beginProof()
}

// cancelProof ends the proof without an outcome: heaters are switched on from here.
func (m *Machine) cancelProof() {
	m.guard.CancelProof()
	m.timers.stop(timerProof)
}

// checkProof reports once that the proof in progress has succeeded.
func (m *Machine) checkProof() {
	if !m.guard.DecideProof(m.readingTime()) {
		return
	}
	m.timers.stop(timerProof)
	text := "the heaters are " + m.guard.Text() + m.otherHeaters.NotShownOff()
	m.note(eventHeatOff, text)
	if m.state == Aborted {
		m.alert(CauseHeatOff, text)
	}
}

// A proof that makes progress may take this many times as long as one that does not: a heavy bed that
// is not much warmer than its room takes a quarter of an hour for some degrees.
const (
	maxProofExtension = 4
	proofExtension    = time.Minute
)

// proofTimedOut handles a proof that did not succeed in time. For a heater that does not cool, or whose
// target the board keeps, it is a heat fault like any other.
func (m *Machine) proofTimedOut() {
	if m.guard.Falling(m.readingTime()) && m.guard.ProvingFor(m.readingTime()) < maxProofExtension*m.set.ProofWithin {
		m.timers.set(timerProof, m.now.Add(proofExtension))
		return
	}
	m.guard.FailProof(m.readingTime())
	text := "the heaters are " + m.guard.Text() + m.otherHeaters.NotShownOff()
	m.note(eventHeatDoubt, text)
	switch {
	case m.state == Aborting || m.state == Aborted:
		m.alert(CauseHeat, text)
		if m.guard.ProofFailedHot() {
			m.latchHeatFault(text)
		}
	case m.guard.ProofFailedHot():
		m.fault(Cause{CauseHeat, text})
	case m.link.phase != linkUp || m.guard.MaybeLeftOn():
		m.alert(CauseHeat, text)
	default: // it reads cold, and was on too briefly to have shown that its reading follows: nobody is called
	}
}

// withdrawProof revokes a proof that a reading contradicts, and calls the operator. After a fault it
// switches off again.
func (m *Machine) withdrawProof(i heat.HeaterIndex, r heat.Reading) {
	why := m.guard.WithdrawProof(i, r)
	if why == "" {
		return
	}
	text := "a heater may be on again: " + why
	if m.state != Aborting && m.state != Aborted { // at rest somebody may heat it at the panel for a while: see checkTarget
		m.cancelProof()
		m.note(eventHeatDoubt, text)
		m.alert(CauseHeat, text+"; if nobody is at the panel, switch the machine off at the mains")
		return
	}
	m.timers.set(timerProof, m.now.Add(m.set.ProofWithin))
	text += "; it is switched off again: if that does not show within " + m.set.ProofWithin.String() + ", or nobody is at the panel, switch the machine off at the mains"
	m.note(eventHeatDoubt, text)
	m.alert(CauseHeat, text)
	m.heatersOff()
}
