package supervisor

import (
	"fmt"
	"time"

	"beltwarden/supervisor/ledger"
)

// abortBound limits how long an abort may try to switch the heaters off before it reports that it
// could not.
const abortBound = 60 * time.Second

// fault ends the run at once: the part is interrupted, and the heaters go off first.
func (m *Machine) fault(why Cause) {
	if !m.change(Abort, why) {
		m.note("fault", why.Text)
	}
}

// enterAborting switches the heaters off by the fastest way the board offers, and then again in the
// ordinary way, which proves that the board has accepted it.
func (m *Machine) enterAborting() {
	m.endHold("fault")
	m.alertFault()
	m.beginProof()
	m.continueAfterClear = false
	m.startAfterReset = false // a reset after a fault does not start production
	bound := abortBound
	if m.shutdown {
		bound = m.set.StopWithin // the process has nothing more urgent to do
	}
	m.timers.set(timerAbort, m.now.Add(bound))
	if m.link.phase != linkUp {
		m.interrupt(m.cause.Text)
		m.link.retryWait = 0
		m.openLink() // the heaters may be on: the board must be reached
		return
	}
	if m.link.board.Emergency() && m.cause.Code != CauseShutdown {
		// The halt also stops motion, which loses the belt's position. The operator's orderly way out
		// is Stop.
		m.link.halting = true
		m.do(SendUrgent{Bytes: "M112\n"})
	}
	m.heatersOff()
	m.guard.MarkMaybeOn() // until the board has accepted the ordinary commands
	m.interrupt(m.cause.Text)
	m.cancel(func() { m.setLegs([]leg{m.offLeg(false)}) })
}

// abortUnconfirmed ends an abort whose heaters could not be shown to be off.
func (m *Machine) abortUnconfirmed() {
	if m.link.phase != linkDown {
		// The board does not accept our lines. Reopening the port resets many boards, which is one
		// more way to switch the heaters off.
		m.link.phase = linkDown
		m.belt.markLost()
		m.do(CloseLink{})
	}
	m.dropWork()
	m.cause.Text += "; the heaters could NOT be confirmed off: switch the machine off at the mains"
	m.stateComplete()
}

// enterAborted calls the operator and keeps trying to reach a missing board: its heaters may be on,
// and its readings must show that they are off.
func (m *Machine) enterAborted() {
	if m.shutdown {
		m.belt.markLost() // the next process opens the port again
	}
	m.recordBeltAtRest() // where no part was in progress, nothing else has recorded it
	m.beginHold()
	switch {
	case !m.guard.MayBeOn() && !m.timers.armed(timerProof):
		m.timers.stop(timerLink)
	case m.link.phase == linkDown && !m.timers.armed(timerLink):
		m.timers.set(timerLink, m.now.Add(m.set.RetryFirst))
	}
}

// interrupt ends a cycle that is not discharged. A part that was made stays counted. One that was only
// begun is interrupted and counts for nothing until the operator has looked at it. In either case
// something may be under the head.
func (m *Machine) interrupt(why string) {
	c := m.cycle
	if c == nil || c.fromLedger { // a cycle of an earlier process is settled once the board has answered
		m.record(ledger.BeltMoved{Belt: m.belt.totalsInMotion()}) // nothing else records it if the process ends before the next state
		return
	}
	m.cycle = nil
	if !m.laying {
		m.giveUp(c, why)
		return
	}
	m.belt.known = false
	if c.made {
		m.record(ledger.BeltMoved{Belt: m.belt.totalsInMotion()})
		return
	}
	c.lot.filamentMM = m.belt.latest.FilamentMM // the filament it used does not belong to the next part
	m.record(ledger.CycleInterrupted{Seq: c.seq, Reason: why, Belt: m.belt.totalsInMotion()})
	m.recordInterrupted(c)
}

// giveUp ends a cycle that laid nothing because the heaters were still warming up. There is no part to
// decide on and nothing under the head.
func (m *Machine) giveUp(c *cycle, why string) {
	c.lot.filamentMM = m.belt.latest.FilamentMM
	m.record(ledger.CycleInterrupted{Seq: c.seq, Reason: why + "; nothing of it was printed", Belt: m.belt.totalsInMotion()}, ledger.CycleDecided{Seq: c.seq})
}

// endNumberSpan is how far past a cycle's end number the board's last accepted number may be and still
// prove that cycle: the closing wait for motion and a few temperature queries.
const endNumberSpan = 100

// settleOpenCycle decides a cycle that an earlier process left open, from the board's answer. Its last
// accepted line number proves that it accepted the last line of the part, unless the board has
// restarted since. Otherwise the part is interrupted.
func (m *Machine) settleOpenCycle(lastNumber int64, restarted bool) {
	c := m.cycle
	if c == nil || !c.fromLedger {
		return
	}
	m.cycle = nil // the belt has not been known to be clear since the cycle was restored, unless the operator has cleared it
	proved := !restarted && lastNumber >= c.endNumber && lastNumber < c.endNumber+endNumberSpan
	var fate string
	switch {
	case c.made:
		fate = fmt.Sprintf("part %d was made and counted, but not moved off", c.ordinal)
	case proved:
		m.belt.uncertainMM = max(0, m.belt.uncertainMM-c.uncertainMM)
		m.belt.addUnobserved(c.uncertainMM, c.uncertainAdvanceMM)
		m.record(ledger.CycleMade{Seq: c.seq, Belt: m.belt.totals(), FilamentMM: c.filamentMM,
			Evidence: ledger.EvidenceLineNumber})
		fate = fmt.Sprintf("the board had accepted the last line of part %d: it is counted", c.ordinal)
	default:
		m.record(ledger.CycleInterrupted{Seq: c.seq, Reason: "the daemon ended during it", Belt: m.belt.totals()})
		fate = fmt.Sprintf("part %d was interrupted and is not counted", c.ordinal)
	}
	m.note("recovery", fate)
	if m.state == Aborting {
		m.cause.Text += "; " + fate
	}
	m.record(ledger.BeltMoved{Belt: m.belt.totals()})
}

// shutDown makes the machine safe before the process ends.
func (m *Machine) shutDown() {
	m.shutdown = true
	if m.settledDown() {
		return
	}
	m.fault(Cause{CauseShutdown, "the daemon is ending"})
}

// MaybeHot reports whether heaters that could not be switched off may be on. A doubtful sensor counts
// only beside a heat fault: a sound one merely has not been read for long enough.
func (m *Machine) MaybeHot() bool {
	return m.guard.MayBeOn() || m.guard.ProofFailedHot() || m.guard.Hopeless() && m.heatFault != ""
}

// Safe reports whether the process may end: nothing moves, and the heaters are off, and read as off,
// as far as the board can be reached.
func (m *Machine) Safe() bool {
	return m.settledDown() && (m.link.phase != linkUp || m.guard.Calm() || m.guard.Hopeless())
}

// settledDown reports whether nothing moves and the board has accepted the commands that switch the
// heaters off, as far as it can be reached.
func (m *Machine) settledDown() bool {
	if m.link.phase != linkUp {
		return m.state != Aborting || m.link.phase == linkDown
	}
	return !m.guard.MayBeOn() && m.work.running == 0 && m.cycle == nil && m.state != Aborting
}
