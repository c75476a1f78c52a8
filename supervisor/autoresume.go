package supervisor

import (
	"fmt"
	"time"
)

// resuming is what the machine needs to go on by itself after a fault, where the owner has
// chosen that. It is for faults of cable and computer alone, at moments at which nothing lies
// under the head, and it leaves the people near it time to say no.
type resuming struct {
	from   State       // the state in which the fault struck
	spoke  bool        // somebody has given a word since: it is theirs
	moved  bool        // the belt may have moved unseen by the fault
	unkept bool        // the ledger has refused records since: what was announced may have reached nobody
	past   []time.Time // when it went on by itself, the newest last
}

// aDay is what Settings.GoOnPerDay counts over, by the wall clock: it must hold over restarts
// of the computer. Times to come, which a clock that was set back leaves, count as well.
const aDay = 24 * time.Hour

// eventGoOn is the kind of event by which it is counted.
const eventGoOn = "go_on"

// noteFault notes in which state a fault has come.
func (m *Machine) noteFault(from State) {
	m.resuming.from, m.resuming.spoke, m.resuming.unkept = from, false, false
}

// checkAutoResume sees whether the machine may go on by itself, and says so beforehand.
func (m *Machine) checkAutoResume() {
	if !m.autoResumeArises() {
		return
	}
	switch why := m.autoResumeBlockedBy(); {
	case why != "" && m.timers.armed(timerResume):
		m.timers.stop(timerResume)
		m.note("fault", "the machine will not resume by itself: "+why)
	case why == "" && !m.timers.armed(timerResume):
		m.timers.set(timerResume, m.now.Add(m.set.GoOnAfter))
		text := fmt.Sprintf("keep hands off: the machine resumes by itself at %s, in %s, unless somebody sends a command or acknowledges this alert", m.timers[timerResume].Local().Format("15:04:05"), m.set.GoOnAfter)
		m.note("fault", text)
		m.alert(CauseGoOn, text)
	}
}

// autoResume goes on: through Clearing, Stopped and Resetting, in which the board is asked all
// over again, to the next part.
func (m *Machine) autoResume() {
	a := &m.resuming
	if m.autoResumeBlockedBy() != "" {
		return
	}
	a.past = append(a.past, m.now)
	text := fmt.Sprintf("the machine resumes by itself, for the %s of at most %d times a day, after: %s", nth(m.goneOn()), m.set.GoOnPerDay, m.cause.Text)
	m.note(eventGoOn, text)
	m.alert(CauseGoOn, "keep hands off: "+text)
	m.by, m.goOn = "the daemon", true
	m.change(Clear, Cause{CauseGoOn, text})
	m.by = ""
}

// autoResumeArises reports whether the question arises at all.
func (m *Machine) autoResumeArises() bool { return m.set.GoOnPerDay > 0 && m.state == Aborted }

// goneOn is how often within the last day it went on by itself.
func (m *Machine) goneOn() (n int) {
	for _, at := range m.resuming.past {
		if m.now.Sub(at) < aDay {
			n++
		}
	}
	return n
}

// autoResumeBlockedBy says what keeps the machine from going on by itself; "" when nothing does.
func (m *Machine) autoResumeBlockedBy() string {
	a, t := &m.resuming, &m.link.answer
	switch a.from {
	case Starting, Execute, Unholding, Unsuspending:
	default:
		return fmt.Sprintf("the machine was %s, not making a part", a.from)
	}
	switch {
	case m.cause.Code != CauseLink && m.cause.Code != CauseRestart:
		return "somebody must look at the machine after this kind of fault"
	case m.latched != "":
		return "somebody must record the repair after: " + m.latched
	case m.shutdown:
		return "the daemon is ending"
	case a.spoke:
		return "somebody is dealing with it"
	case a.unkept:
		return "the ledger has refused records since, so the alert may not have been sent"
	case m.lot == nil:
		return "no lot is open"
	case m.trials.open() != nil:
		return "a trial is still open"
	case !m.belt.known:
		return "something may be under the head"
	case m.laying:
		return "the lead-in had begun"
	case a.moved:
		return "the belt may have moved without being counted"
	case len(m.book.Undecided) > 0:
		return "an interrupted part is undecided"
	case !t.Answered || m.link.phase != linkUp:
		return "the board has not answered yet"
	case t.Restarted:
		return "the board has restarted, and its motors released the belt"
	case t.Number < 0:
		return "the board does not show whether it has restarted"
	case !m.guard.Shown(), m.guard.MayBeOn():
		return "the heaters are " + m.guard.Text()
	case m.goneOn() >= m.set.GoOnPerDay:
		return fmt.Sprintf("it has resumed by itself %s within a day", plural(m.goneOn(), "time", "times"))
	}
	if err := m.mayStart(Request{}); err != nil {
		return err.Error()
	}
	return ""
}

// nth writes an ordinal number up to the most times in a day.
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
