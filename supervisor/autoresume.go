package supervisor

import (
	"fmt"
	"time"
)

// resumption is the state of automatic resumption after a fault, where the owner has enabled it. It
// covers only faults of cable and computer, at moments when nothing lies under the head, and gives
// people nearby time to prevent it.
type resumption struct {
	from           State       // the state in which the fault occurred
	attended       bool        // somebody has given a command since, and is in charge
	beltDoubtful   bool        // the fault may have hidden a movement of the belt
	recordsRefused bool        // the ledger has refused records since: the announcement may have reached nobody
	past           []time.Time // when it resumed by itself, newest last
}

// resumeWindow is the window of Settings.AutoResumePerDay, by the wall clock, since it must hold over restarts of
// the computer. Times in the future, left by a clock that was set back, count as well.
const resumeWindow = 24 * time.Hour

// eventResumed is the kind of event that counts automatic resumptions.
const eventResumed = "go_on"

// noteFault notes the state in which a fault occurred.
func (m *Machine) noteFault(from State) {
	m.resumption.from, m.resumption.attended, m.resumption.recordsRefused = from, false, false
}

// checkAutoResume checks whether the machine may resume by itself, and announces it beforehand.
func (m *Machine) checkAutoResume() {
	if !m.autoResumeApplies() {
		return
	}
	switch why := m.autoResumeBlockedBy(); {
	case why != "" && m.timers.armed(timerResume):
		m.timers.stop(timerResume)
		m.note("fault", "the machine will not resume by itself: "+why)
	case why == "" && !m.timers.armed(timerResume):
		m.timers.set(timerResume, m.now.Add(m.set.AutoResumeAfter))
		text := fmt.Sprintf("keep hands off: the machine resumes by itself at %s, in %s, unless somebody sends a command or acknowledges this alert", m.timers[timerResume].Local().Format("15:04:05"), m.set.AutoResumeAfter)
		m.note("fault", text)
		m.alert(CauseAutoResume, text)
	}
}

// autoResume resumes the run through Clearing, Stopped and Resetting, where the board is queried
// afresh, to the next part.
func (m *Machine) autoResume() {
	a := &m.resumption
	if m.autoResumeBlockedBy() != "" {
		return
	}
	a.past = append(a.past, m.now)
	text := fmt.Sprintf("the machine resumes by itself, for the %s of at most %d times a day, after: %s", nth(m.resumedToday()), m.set.AutoResumePerDay, m.cause.Text)
	m.note(eventResumed, text)
	m.alert(CauseAutoResume, "keep hands off: "+text)
	m.by, m.continueAfterClear = "the daemon", true
	m.change(Clear, Cause{CauseAutoResume, text})
	m.by = ""
}

// autoResumeApplies reports whether automatic resumption is a question at all.
func (m *Machine) autoResumeApplies() bool { return m.set.AutoResumePerDay > 0 && m.state == Aborted }

// resumedToday returns how often the machine has resumed by itself within the last day.
func (m *Machine) resumedToday() (n int) {
	for _, at := range m.resumption.past {
		if m.now.Sub(at) < resumeWindow {
			n++
		}
	}
	return n
}

// autoResumeBlockedBy returns what keeps the machine from resuming by itself, "" for nothing.
func (m *Machine) autoResumeBlockedBy() string {
	a, t := &m.resumption, &m.link.answer
	switch a.from {
	case Starting, Execute, Unholding, Unsuspending:
	default:
		return fmt.Sprintf("the machine was %s, not making a part", a.from)
	}
	switch {
	case m.cause.Code != CauseLink && m.cause.Code != CauseRestart:
		return "somebody must look at the machine after this kind of fault"
	case m.heatFault != "":
		return "somebody must record the repair after: " + m.heatFault
	case m.shutdown:
		return "the daemon is ending"
	case a.attended:
		return "somebody is dealing with it"
	case a.recordsRefused:
		return "the ledger has refused records since, so the alert may not have been sent"
	case m.lot == nil:
		return "no lot is open"
	case m.trials.open() != nil:
		return "a trial is still open"
	case !m.belt.known:
		return "something may be under the head"
	case m.laying:
		return "the lead-in had begun"
	case a.beltDoubtful:
		return "the belt may have moved without being counted"
	case len(m.book.Undecided) > 0:
		return "an interrupted part is undecided"
	case !t.Answered || m.link.phase != linkUp:
		return "the board has not answered yet"
	case t.Restarted:
		return "the board has restarted, and its motors released the belt"
	case t.Number < 0:
		return "the board does not show whether it has restarted"
	case !m.guard.ShownOff(), m.guard.MayBeOn():
		return "the heaters are " + m.guard.Text()
	case m.resumedToday() >= m.set.AutoResumePerDay:
		return fmt.Sprintf("it has resumed by itself %s within a day", plural(m.resumedToday(), "time", "times"))
	}
	if err := m.checkStart(Request{}); err != nil {
		return err.Error()
	}
	return ""
}

// nth formats an ordinal number, up to the largest number of resumptions in a day.
func nth(n int) string {
	switch n {
	case 1:
		return "first"
	case 2:
		return "second"
	case 3:
		return "third"
	}
	return fmt.Sprintf("%dth", n)
}
