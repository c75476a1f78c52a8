package supervisor

import (
	"errors"
	"slices"
	"strings"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/board"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/ledger"
)

// linkPhase is how far the connection to the board has come.
type linkPhase int

const (
	linkDown linkPhase = iota
	linkOpening
	linkUp
)

// link is the state of the connection and of the board behind it.
type link struct {
	phase     linkPhase
	retryWait time.Duration // before the next attempt
	problem   string        // why it is down, "" when it is up or was never tried
	command   string        // the command line that would help, for a terminal; often ""
	// halting: the board was sent the emergency command, so that its disappearance is the confirmation
	// and not another fault.
	halting         bool
	hasReported     bool // it has reported temperatures since it connected
	reportsPosition bool // some board on this port has reported its position
	autoReports     bool // it was set to report temperatures by itself
	board           board.Board
	answer          board.Answer // since the newest fault
}

// openLink opens the port unless it is open or opening.
func (m *Machine) openLink() {
	if m.link.phase != linkDown {
		return
	}
	m.link.phase = linkOpening
	m.do(OpenLink{})
}

// linkFailed handles a port that could not be opened: it is tried again, at ever longer intervals, for
// as long as the state needs a board.
func (m *Machine) linkFailed(err error) {
	m.link.phase = linkDown
	first := m.link.retryWait == 0
	m.retryLink(err)
	if first && m.state == Aborting && m.cause.Code == CauseRestart { // called before it was tried: see alertFault
		m.alert(CauseRestart, m.unreachableText(m.link.problem))
	}
}

// retryLink notes why there is no board and arms the next attempt.
func (m *Machine) retryLink(err error) {
	text := err.Error()
	m.link.command = ""
	var open *serialio.OpenError
	if errors.As(err, &open) && open.Hint != "" {
		text += "; " + strings.ToLower(open.Hint[:1]) + strings.TrimSuffix(open.Hint[1:], ".")
		m.link.command = open.Command
	}
	if text != m.link.problem {
		m.link.problem = text
		m.note("link", text)
	}
	m.temps.querying = false
	m.timers.stop(timerPoll)
	m.resetReadingTimer(heat.Nozzle)
	m.resetReadingTimer(heat.Bed)
	switch m.state {
	case Resetting, Clearing, Aborting, Aborted, Stopped: // nobody may be present to request it
		m.link.retryWait = min(max(2*m.link.retryWait, m.set.RetryFirst), m.set.RetryMax)
		m.timers.set(timerLink, m.now.Add(m.link.retryWait))
	}
}

// linkLost handles a connection that has ended. What was moving is interrupted; whether the heaters
// are off must be found out.
func (m *Machine) linkLost(err error) {
	m.link.phase = linkDown
	m.interruptRescale("the connection was lost")
	m.interruptSetup("the connection was lost")
	m.interruptTrial("the connection was lost")
	m.continueAfterClear, m.startAfterReset = false, false // whoever requested it may have left by the time the board is back
	why := Cause{CauseLink, err.Error()}
	restarted := errors.Is(err, serialio.ErrReset)
	halted := errors.Is(err, serialio.ErrHalted)
	// A restart and a halt, when announced, both switch the heaters off. Otherwise nothing that was
	// sent is known to have arrived, including the command to switch them off. At rest, and before the
	// board was ready, this process had them off.
	switch m.state {
	case Idle, Complete, Stopped, Resetting:
	default:
		m.guard.MarkMaybeOn()
	}
	if restarted || halted {
		m.guard.MarkOffAccepted()
	}
	again := m.state == Aborted || m.state == Aborting
	m.link.answer = board.Answer{Restarted: restarted || again && m.link.answer.Restarted}
	if restarted || halted || errors.Is(err, serialio.ErrRecount) {
		why.Code = CauseBoard
	}
	m.resumption.beltDoubtful = m.belt.latest.PendingMM > 0
	before := m.belt.uncertainMM
	m.belt.markLost()
	m.dropWork()
	m.do(CloseLink{})
	m.retryLink(err)
	switch m.state {
	case Idle, Complete:
		m.boardLostAtRest(why)
		m.change(Stop, why)
	case Stopped, Aborted, Resetting, Clearing:
		if m.belt.uncertainMM != before { // no state is entered that would record it
			m.record(ledger.BeltMoved{Belt: m.belt.totals()})
		}
	case Aborting:
		if m.link.halting && halted || restarted {
			m.note("heat", "the board has halted, which should switch its heaters off; readings must show it; reset the board before going on")
			m.settleOpenCycle(-1, true)
			m.stateComplete()
		}
	case Stopping, Starting, Execute, Completing, Holding, Held, Unholding, Suspending, Suspended, Unsuspending:
		m.fault(why)
	}
}

// linkSynced handles a board that answers and agrees on the line number.
func (m *Machine) linkSynced(e LinkSynced) {
	m.link.phase, m.link.problem, m.link.command, m.link.retryWait = linkUp, "", "", 0
	m.timers.stop(timerLink)
	m.link.halting, m.link.hasReported, m.link.autoReports = false, false, false
	m.link.board = board.New(e.Reset || e.LastNumber == 0)
	m.temps = temperatures{}
	m.timers.set(timerPoll, m.now.Add(m.set.PollEvery))
	m.guard.Forget()
	m.armReadingTimers()
	// One that has accepted no line since the fault has restarted unseen; our own lines follow at
	// once.
	unseen := e.LastNumber == 0 && (m.state == Aborted || m.state == Aborting)
	m.link.answer = board.Answer{Answered: true, Restarted: m.link.answer.Restarted || e.Reset || unseen, Number: e.LastNumber}
	m.settleOpenCycle(e.LastNumber, e.Reset)
	if nextProvesPart(e.LastNumber) { // the ledger may not have kept what was settled
		m.do(SendControl{Text: resetLineNumber})
	}
	switch m.state {
	case Resetting:
		m.setLegs(m.queryLegs())
	case Aborting:
		m.setLegs([]leg{m.offLeg(false)})
	case Clearing:
		m.setLegs([]leg{m.offLeg(true)})
	case Aborted:
		m.heatersOff()
		if m.guard.Text() == "" { // an earlier process was Aborted
			m.beginProof()
		}
		m.note("link", "the board is back; heaters were switched off")
	case Stopped, Idle, Starting, Execute, Completing, Complete, Holding, Held,
		Unholding, Suspending, Suspended, Unsuspending, Stopping:
		// The operator has ended the wait for the board. It is made cold once it has reported its
		// temperatures.
		m.do(SendControl{Text: "M105"})
		m.heatersOff()
	}
}

// enterResetting opens the port, or queries the board again if it is open.
func (m *Machine) enterResetting() {
	if !m.guard.Proving() {
		m.cancelProof()
	}
	switch m.link.phase {
	case linkUp:
		m.setLegs(m.queryLegs())
	case linkDown:
		m.link.retryWait = 0
		m.openLink()
	case linkOpening:
	}
}

// enterClearing makes sure that the board answers and is cold.
func (m *Machine) enterClearing() {
	m.endHold("cleared")
	switch m.link.phase {
	case linkUp:
		m.setLegs([]leg{m.offLeg(true)})
	case linkDown:
		m.link.retryWait = 0
		m.timers.stop(timerLink)
		m.openLink()
	case linkOpening:
	}
}

// queryLegs cools the board, queries its identity and capabilities, and compares.
func (m *Machine) queryLegs() []leg {
	ask := leg{
		doing: "asking the board what it is",
		safe:  true,
		program: func() Program {
			// The next two commands would erase its present targets.
			return Program{Before: slices.Concat([]string{"M105"}, m.offLines(), board.Questions(), []string{"M114", "M105"})}
		},
		end: m.acceptIdentity,
	}
	return append([]leg{ask}, m.trialLegs()...)
}
