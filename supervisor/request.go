package supervisor

import (
	"strings"
	"time"

	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// stopOptions is how the operator wants the run to stop.
type stopOptions struct {
	afterPart, clearBelt bool
}

// request carries out an operator's request or refuses it with what would help. A refused request
// leaves only a refusal.
func (m *Machine) request(r Request) {
	if r.Quote != nil {
		m.out.Result.Quote, m.out.Result.State = m.quote(r.Quote), m.state
		return
	}
	m.by, m.override = who(r.By), r.Override
	m.resumption.attended = true
	err := m.checkBusy(r)
	switch {
	case err != nil:
	case r.Acknowledge:
		m.out.Result.Text = "acknowledged: nobody else is called about the alerts so far"
	case r.Visit != nil && r.Visit.Corrects != 0:
		err = m.correct(r)
	case r.Visit != nil:
		err = m.visit(r)
	case r.Lot != nil:
		err = m.openLot(r)
	case r.Scale != nil:
		err = m.rescale(r)
	case r.SetupMove != nil:
		err = m.setupMove(r)
	case r.SetupFound != nil:
		err = m.setupFound(r)
	case r.TrialBegin != nil:
		err = m.beginTrial(r)
	case r.TrialEnd != nil:
		err = m.endTrial(r)
	case r.EndLot:
		err = m.endLot(r)
	default:
		err = m.command(r)
	}
	m.by, m.override = "", ""
	if err != nil {
		m.out = Output{Refused: err}
	} else {
		// It comes first, since whatever this request causes must be announced again.
		m.out.Records = append([]ledger.Record{ledger.Responded{What: requestName(r), By: who(r.By)}}, m.out.Records...)
	}
	m.out.Result.State = m.state
}

// requestName names a request for the record.
func requestName(r Request) string {
	switch {
	case r.Acknowledge:
		return "acknowledged"
	case r.Visit != nil:
		return "check"
	case r.Lot != nil, r.EndLot:
		return "lot"
	case r.Scale != nil:
		return "scale"
	case r.SetupMove != nil, r.SetupFound != nil:
		return "setup"
	case r.TrialBegin != nil, r.TrialEnd != nil:
		return "trial"
	}
	return strings.ToLower(r.Command.String())
}

// checkBusy refuses what would interfere with a short operation of the board at rest. That operation
// can always be stopped.
func (m *Machine) checkBusy(r Request) error {
	asks := r.Lot != nil || r.Scale != nil || r.TrialBegin != nil || r.TrialEnd != nil || r.SetupMove != nil || r.SetupFound != nil // a command in the same request is ignored
	switch {
	case r.Visit != nil, r.Acknowledge, !asks && (r.EndLot || r.Command == Stop || r.Command == Abort):
	case m.setup.moving:
		return &Refusal{What: "do that now", Why: "the belt is being moved to set it up", Remedy: "try again in a moment, or stop it", Command: "beltwarden stop"}
	case m.rescaling.on:
		return &Refusal{What: "do that now", Why: "the belt's scale is being set", Remedy: "try again in a moment"}
	case m.work.running != 0 && !m.state.Acting(): // a cancelled program that is not settled yet
		return &Refusal{What: "do that now", Why: "the board has not answered yet", Remedy: "try again in a moment; abort if it persists"}
	}
	return nil
}

// command carries out one of the ten commands.
func (m *Machine) command(r Request) error {
	what := strings.ToLower(r.Command.String())
	if r.Command == Stop && m.state == Stopping && m.trials.active {
		m.interruptTrial(what + " by " + who(r.By)) // before its belt moves
		m.out.Result.Text = "stop: the trial is interrupted"
		return nil
	}
	if _, ok := Transition(m.state, r.Command); !ok || r.Command == StateComplete {
		return m.notNow(r.Command)
	}
	switch r.Command {
	case Stop:
		if r.ClearBelt {
			if err := m.checkClearBelt(what); err != nil {
				return err
			}
		}
	case Start:
		if err := m.checkStart(r); err != nil {
			return err
		}
	case Clear, Reset:
		if r.Command == Clear {
			if err := m.releaseHeatFault(r); err != nil {
				return err
			}
		}
		if r.Continue { // report what is missing now rather than when the board is ready
			if err := m.checkStart(r); err != nil {
				return err
			}
		}
	case Unhold:
		if err := m.checkUnhold(r); err != nil {
			return err
		}
	case Unsuspend:
		if err := m.checkContinue(what, r); err != nil {
			return err
		}
		if err := m.checkSupply(what, r); err != nil {
			return err
		}
	}
	why := Cause{CauseOperator, what + " by " + who(r.By)}
	if r.Override != "" {
		why.Text += ", overridden: " + r.Override
		m.note(book.EventOverride, why.Text)
	}
	switch r.Command {
	case Clear:
		m.continueAfterClear = r.Continue
	case Reset:
		m.startAfterReset = r.Continue
	case Start:
		m.acceptBoard()
	case Unhold, Unsuspend:
		if h := m.book.Hold; h != nil {
			m.addWait(h.Reason, m.now.Sub(m.since))
		}
		m.endHold(what)
	case Stop:
		m.stopOptions = stopOptions{r.AfterPart, r.ClearBelt}
	}
	part := 0
	if c := m.cycle; c != nil && !c.made && !c.fromLedger {
		part = c.ordinal
	}
	m.change(r.Command, why)
	m.out.Result.Text = m.answerTo(what, r, part)
	if m.lot != nil {
		m.out.Result.LotID = m.lot.ID
	}
	return nil
}

// acceptedCommands lists the commands accepted in the present state.
func (m *Machine) acceptedCommands() []string {
	names := []string{}
	for _, c := range Commands() {
		if _, ok := Transition(m.state, c); ok {
			names = append(names, strings.ToLower(c.String()))
		}
	}
	return names
}

// enterStopping ends the run in an orderly way: the part in progress is finished or given up, the
// heaters go off, and the belt is cleared if requested.
func (m *Machine) enterStopping() {
	wish := m.stopOptions
	m.stopOptions, m.startAfterReset = stopOptions{}, false
	m.endHold("stop")
	if m.link.phase != linkUp {
		m.dropWork()
		m.stateComplete()
		return
	}
	if wish.afterPart && m.cycle != nil {
		m.work.after = func() []leg { return m.stopLegs(wish) }
		m.finishPart()
		return
	}
	m.interrupt(m.cause.Text)
	m.cancel(func() { m.setLegs(m.stopLegs(wish)) })
}

// stopLegs switch off, lift the head away and clear the belt on request.
func (m *Machine) stopLegs(wish stopOptions) []leg {
	legs := []leg{{
		doing: "lifting the head",
		program: func() Program {
			lines := []string{"M140 S0"}
			switch at := m.position(); {
			case !at.Known[m.set.LiftAxis] && wish.clearBelt:
				lines = append(lines, m.liftUnknownLines()...)
			case !m.headUp:
				lines = append(lines, m.liftLines(at, at.PositionMM[m.set.LiftAxis], m.canExtrude(at))...)
			}
			return Program{Before: append(lines, "M104 S0", "M400", "M114")}
		},
		end: func() {
			if !wish.clearBelt || !m.failIfDisplaced("the head may be low, and the belt was not run") {
				m.headUp = true
			}
		},
	}}
	if wish.clearBelt {
		legs = append(legs, m.clearBeltLegs()...)
	}
	return append(legs, m.offLeg(true))
}

// enterStopped records the belt's position, and keeps trying to reach a missing board.
func (m *Machine) enterStopped() {
	m.timers.stop(timerSave)
	if m.trials.active {
		m.change(Reset, m.cause)
		return
	}
	if m.continueAfterClear {
		m.continueAfterClear, m.startAfterReset = false, true
		m.change(Reset, m.cause)
		return
	}
	m.timers.stop(timerLink)
	if m.link.phase == linkDown { // a heater switched on in the meantime is noticed once the board is back
		m.timers.set(timerLink, m.now.Add(m.set.RetryFirst))
	}
	m.record(ledger.BeltMoved{Belt: m.belt.totals()})
}

// enterIdle begins at once if a lot requested it before the board was ready.
func (m *Machine) enterIdle() {
	if !m.startAfterReset {
		return
	}
	m.startAfterReset = false
	if err := m.checkStart(Request{}); err != nil {
		m.note("lot", "the lot did not begin: "+withoutCommands(err))
		m.cause = Cause{CauseOperator, withoutCommands(err)}
		return
	}
	m.change(Start, Cause{CauseOperator, "the lot begins"})
}

// pendingStartBound is how long a request that moves the machine waits for a missing board. Whoever made it
// stands beside the machine now, and may have hands in it an hour later, when the mains or the cable
// is back.
const pendingStartBound = time.Minute

// watchPendingStart lets a request lapse for which the board is missing.
func (m *Machine) watchPendingStart() {
	switch {
	case !m.continueAfterClear && !m.startAfterReset, m.link.phase == linkUp:
		m.timers.stop(timerPendingStart)
	case !m.timers.armed(timerPendingStart):
		m.timers.set(timerPendingStart, m.now.Add(pendingStartBound))
	}
}

// pendingStartExpired calls whoever relies on the request.
func (m *Machine) pendingStartExpired() {
	m.continueAfterClear, m.startAfterReset = false, false
	text := "it will not begin by itself: the board did not answer within " + longDuration(pendingStartBound) +
		"; once it is back, look at the machine, keep hands off and start again"
	m.note("link", text)
	m.alert(CauseLink, text)
}
