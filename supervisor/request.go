package supervisor

import (
	"fmt"
	"strings"
	"time"

	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// stopWish is how the operator wants the run to stop.
type stopWish struct {
	afterPart, clearBelt bool
}

// request carries out an operator's request or refuses it with what would help. A refused request
// leaves only a refusal.
func (m *Machine) request(r Request) {
	m.by, m.override = who(r.By), r.Override
	m.resuming.spoke = true
	err := m.busyWith(r)
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
		m.out.Records = append([]ledger.Record{ledger.Responded{What: what(r), By: who(r.By)}}, m.out.Records...)
	}
	m.out.Result.State = m.state
}

// what names a request for the record.
func what(r Request) string {
	switch {
	case r.Acknowledge:
		return "acknowledged"
	case r.Visit != nil:
		return "check"
	case r.Lot != nil, r.EndLot:
		return "lot"
	case r.Scale != nil:
		return "scale"
	case r.TrialBegin != nil, r.TrialEnd != nil:
		return "trial"
	}
	return strings.ToLower(r.Command.String())
}

// busyWith refuses what would interfere with a short operation of the board at rest. That operation
// can always be stopped.
func (m *Machine) busyWith(r Request) error {
	asks := r.Lot != nil || r.Scale != nil || r.TrialBegin != nil || r.TrialEnd != nil // a command in the same request is ignored
	switch {
	case r.Visit != nil, r.Acknowledge, !asks && (r.EndLot || r.Command == Stop || r.Command == Abort):
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
	if r.Command == Stop && m.state == Stopping && m.trials.wanted {
		m.trialBroken(what + " by " + who(r.By)) // before its belt moves
		m.out.Result.Text = "stop: the trial is interrupted"
		return nil
	}
	if _, ok := Transition(m.state, r.Command); !ok || r.Command == StateComplete {
		remedy := "wait until it is done"
		if now := m.possible(); len(now) > 0 {
			remedy = "possible now: " + strings.Join(now, ", ")
		}
		return &Refusal{What: what, Why: fmt.Sprintf("the machine is %s", m.state), Remedy: remedy}
	}
	switch r.Command {
	case Start:
		if err := m.mayStart(r); err != nil {
			return err
		}
	case Clear, Reset:
		if r.Command == Clear {
			if err := m.mended(r); err != nil {
				return err
			}
		}
		if r.GoOn { // report what is missing now rather than when the board is ready
			if err := m.mayStart(r); err != nil {
				return err
			}
		}
	case Unhold:
		if err := m.mayUnhold(r); err != nil {
			return err
		}
	case Unsuspend:
		if err := m.mayGoOn(what, r); err != nil {
			return err
		}
		if err := m.maySupply(what, r); err != nil {
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
		m.goOn = r.GoOn
	case Reset:
		m.afterReset = r.GoOn
	case Start:
		m.acceptBoard()
	case Unhold, Unsuspend:
		if h := m.book.Hold; h != nil {
			m.wait(h.Reason, m.now.Sub(m.since))
		}
		m.endHold(what)
	case Stop:
		m.stopNow = stopWish{r.AfterPart, r.ClearBelt}
	}
	m.change(r.Command, why)
	m.out.Result.Text = fmt.Sprintf("%s: the machine is %s", what, m.state)
	if r.GoOn || r.Command == Start || r.Command == Unhold || r.Command == Unsuspend {
		m.out.Result.Text += "; keep your hands clear: it is about to heat and move"
	}
	if m.lot != nil {
		m.out.Result.LotID = m.lot.ID
	}
	return nil
}

// possible lists the commands accepted in the present state.
func (m *Machine) possible() []string {
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
	wish := m.stopNow
	m.stopNow, m.afterReset = stopWish{}, false
	m.endHold("stop")
	if m.link.phase != linkUp {
		m.dropWork()
		m.completed()
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
func (m *Machine) stopLegs(wish stopWish) []leg {
	legs := []leg{{
		doing: "lifting the head",
		program: func() Program {
			lines := []string{"M140 S0"}
			switch at := m.position(); {
			case !at.Known[m.set.LiftAxis] && wish.clearBelt:
				lines = append(lines, m.liftBlind()...)
			case !m.headUp:
				lines = append(lines, m.liftLines(at, at.PositionMM[m.set.LiftAxis], m.mayExtrude(at))...)
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
	if m.trials.wanted {
		m.change(Reset, m.cause)
		return
	}
	if m.goOn {
		m.goOn, m.afterReset = false, true
		m.change(Reset, m.cause)
		return
	}
	m.timers.stop(timerLink)
	if m.link.phase == linkDown { // a heater switched on in the meantime is noticed once the board is back
		m.timers.set(timerLink, m.now.Add(m.set.RetryFirst))
	}
	m.record(ledger.BeltMoved{Belt: m.belt.now()})
}

// enterIdle begins at once if a lot requested it before the board was ready.
func (m *Machine) enterIdle() {
	if !m.afterReset {
		return
	}
	m.afterReset = false
	if err := m.mayStart(Request{}); err != nil {
		m.note("lot", "the lot did not begin: "+withoutCommands(err))
		m.cause = Cause{CauseOperator, withoutCommands(err)}
		return
	}
	m.change(Start, Cause{CauseOperator, "the lot begins"})
}

// wishLapse is how long a request that moves the machine waits for a missing board. Whoever made it
// stands beside the machine now, and may have hands in it an hour later, when the mains or the cable
// is back.
const wishLapse = time.Minute

// watchWish lets a request lapse for which the board is missing.
func (m *Machine) watchWish() {
	switch {
	case !m.goOn && !m.afterReset, m.link.phase == linkUp:
		m.timers.stop(timerWish)
	case !m.timers.armed(timerWish):
		m.timers.set(timerWish, m.now.Add(wishLapse))
	}
}

// wishLapsed calls whoever relies on the request.
func (m *Machine) wishLapsed() {
	m.goOn, m.afterReset = false, false
	text := "it will not begin by itself: the board did not answer within " + longWords(wishLapse) +
		"; once it is back, look at the machine, keep hands off and start again"
	m.note("link", text)
	m.alert(CauseLink, text)
}
