package supervisor

import (
	"cmp"
	"math"
	"strings"
	"unicode"

	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/ledger"
)

// Kinds of event that record a latched heat fault. The newer of the two decides whether one is in
// force, whatever happens to process and power.
const (
	eventHeatFault    = "heat_fault"
	eventHeatRepaired = "mended"
)

// maxRepairText limits the text about a repair, in bytes.
const maxRepairText = 500

// latchHeatFault keeps a heat fault in force until somebody states what was repaired.
func (m *Machine) latchHeatFault(text string) {
	if m.heatFault != "" {
		return
	}
	m.heatFault = text
	m.note(eventHeatFault, text)
}

// releaseHeatFault releases a latched heat fault, or a doubt about a sensor, by a text about the repair, which
// is recorded.
func (m *Machine) releaseHeatFault(r Request) error {
	const what = "clear"
	words := strings.TrimSpace(r.Repair)
	switch {
	case m.heatFault == "" && words == "":
		return nil
	case m.heatFault == "" && m.guard.Doubt() == "":
		return &Refusal{What: what, Why: "no heater or sensor fault is recorded", Remedy: "leave out the repair"}
	case words == "":
		return &Refusal{What: what, Why: "a heat fault is latched: " + m.heatFault, Remedy: repairAdvice, Command: repairCommand}
	case len(words) > maxRepairText || !strings.ContainsFunc(words, unicode.IsLetter):
		return &Refusal{What: what, Why: "the repair is not described", Remedy: "describe it in up to 500 characters"}
	case r.Continue:
		return &Refusal{What: what, Why: "after a heat fault the machine does not go on directly", Remedy: "clear, reset, check that the readings are right, then start"}
	}
	m.note(eventHeatRepaired, "by "+who(r.By)+": "+words+"; it was: "+cmp.Or(m.heatFault, m.guard.Doubt()))
	m.heatFault = ""
	m.guard.Trust()
	if m.guard.Unreported(heat.Bed) {
		m.learned.bed, m.learned.bedNew = heat.NewLearner(heat.Model{}), true
	}
	return nil
}

// repairAdvice and repairCommand are what to do after a heat fault; common practice.
const (
	repairAdvice  = mainsAdvice + " and let it cool; check the sensor, the heater and their wiring, and repair the fault; then switch the mains on and clear the fault, saying what you repaired"
	repairCommand = "beltwarden clear --mended TEXT"
)

// alertFault calls the operator in the step that finds a fault. It may take a minute until the state
// of the heaters is known; that follows as a message of its own.
func (m *Machine) alertFault() {
	switch m.cause.Code {
	case CauseOperator, CauseShutdown: // somebody knows, or the process is ending
		return
	}
	text := "heaters are being switched off" + m.lastReadText() + "; whether they are off follows: " + m.cause.Text
	switch {
	case m.link.phase == linkUp:
	case m.cause.Code == CauseRestart:
		text = "the heaters may be on until the board answers: " + m.cause.Text
	default:
		text = m.unreachableText(m.cause.Text)
	}
	m.alert(m.cause.Code, text)
}

// unreachableText returns what to do about a missing board.
func (m *Machine) unreachableText(why string) string {
	return "the board is out of reach, and its heaters" + m.lastReadText() + " may be on: cut the mains; " + why
}

// boardLostAtRest calls the operator when a board disappears that had a heater on while no lot was running.
func (m *Machine) boardLostAtRest(why Cause) {
	if !m.maybeHeating() && m.temps.nozzleTargetC == 0 && m.temps.bedTargetC == 0 {
		return
	}
	text := m.unreachableText(why.Text)
	m.note("fault", text)
	m.alert(why.Code, text)
}

// lastReadText describes the board's last report on its heaters, as words that follow a noun.
func (m *Machine) lastReadText() string {
	var list []string
	if h := &m.temps; h.hasNozzle {
		list = append(list, "nozzle "+number(math.Round(h.nozzleC))+" °C")
	}
	if h := &m.temps; h.hasBed {
		list = append(list, "bed "+number(math.Round(h.bedC))+" °C")
	}
	if len(list) == 0 {
		return ""
	}
	return " (last read: " + strings.Join(list, ", ") + ")"
}

// abortedByFault reports whether an earlier process left Aborted because of a fault. An orderly end during a
// run was no fault: nothing has to be cleared, and nothing begins by itself.
func (m *Machine) abortedByFault() bool {
	return m.heatFault != "" || m.book.Hold == nil || m.book.Hold.Reason != CauseShutdown
}

// restoreAborted stays in Aborted over a restart of the process, with its cause. Only Clear leads out
// of it.
func (m *Machine) restoreAborted(last *ledger.State, shown bool) {
	m.state = Aborted
	if at := last.Stamp.At; at.Before(m.now) { // otherwise the clock was wrong, then or now
		m.since = at
	}
	m.cause = Cause{CauseRestart, last.Reason}
	if m.book.Hold != nil {
		m.cause = Cause{m.book.Hold.Reason, m.book.Hold.Text}
	}
	if m.heatFault != "" {
		m.cause.Code = CauseHeat
	}
	m.guard.MarkMaybeOn() // the board may not have been reached since
	if !shown || m.heatFault != "" {
		m.guard.AssumeOn()
	}
}
