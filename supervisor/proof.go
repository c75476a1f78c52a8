package supervisor

import (
	"time"

	"beltwarden/supervisor/heat"
)

// Kinds of event by which it is kept what became of the newest proof.
const (
	eventHeatOff   = "heat_off"
	eventHeatDoubt = "heat_doubt"
)

// readingTime is now on the clock by which readings are timed.
func (m *Machine) readingTime() time.Duration { return m.now.Sub(m.warmth.origin) }

// beginProof begins a proof that the heaters are off, now that they were switched off.
func (m *Machine) beginProof() {
	m.guard.Off(m.readingTime())
	m.timers.set(timerProof, m.now.Add(m.set.ProofWithin))
}

// switchedOff begins a proof once heaters were switched off in the ordinary course of things,
// unless there is nothing to show, or it is being shown or stands. A part's own cooling is no
// such end.
func (m *Machine) switchedOff() {
	if m.state == Execute || m.guard.Proving() || m.guard.Shown() || !m.guard.Warm() {
		return
	}
	m.beginProof()
}

// dropProof ends it without an outcome: heaters are switched on from here.
func (m *Machine) dropProof() {
	m.guard.Drop()
	m.timers.stop(timerProof)
}

// proved tells once that the proof under way has come about.
func (m *Machine) proved() {
	if !m.guard.Decide(m.readingTime()) {
		return
	}
	m.timers.stop(timerProof)
	text := "the heaters are " + m.guard.Text() + m.others.NotShownOff()
	m.note(eventHeatOff, text)
	if m.state == Aborted {
		m.alert(CauseHeatOff, text)
	}
}

// A proof that is on its way may take so many times as long as one that shows nothing: a heavy
// bed that is not much warmer than its room takes a quarter of an hour for some degrees.
const (
	longProofs = 4
	proofAgain = time.Minute
)

// proofFailed is a proof that did not come in time. Against a heater that does not get colder,
// or whose target the board holds, it is a heat fault like any other.
func (m *Machine) proofFailed() {
	if m.guard.Falling(m.readingTime()) && m.guard.ProvingFor(m.readingTime()) < longProofs*m.set.ProofWithin {
		m.timers.set(timerProof, m.now.Add(proofAgain))
		return
	}
	m.guard.Fail(m.readingTime())
	text := "the heaters are " + m.guard.Text() + m.others.NotShownOff()
	m.note(eventHeatDoubt, text)
	switch {
	case m.state == Aborting || m.state == Aborted:
		m.alert(CauseHeat, text)
		if m.guard.Hot() {
			m.latchHeat(text)
		}
	case m.guard.Hot():
		m.fault(Cause{CauseHeat, text})
	case m.link.phase != linkUp || m.guard.Left():
		m.alert(CauseHeat, text)
	default: // it reads cold, and was on for too short a time to have shown that it follows: nobody is called
	}
}

// withdraw takes back what was shown, once a reading speaks against it, and calls the
// operator. After a fault it switches off again.
func (m *Machine) withdraw(i heat.HeaterIndex, r heat.Reading) {
	why := m.guard.Withdraw(i, r)
	if why == "" {
		return
	}
	text := "a heater may be on again: " + why
	if m.state != Aborting && m.state != Aborted { // at rest somebody may warm it at the panel, for a while: see watchTarget
		m.dropProof()
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
