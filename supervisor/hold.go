package supervisor

import (
	"fmt"
	"strings"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/ledger"
)

// enterHeld puts the machine at rest between parts: head parked, nozzle at standby, motors energised
// so that the belt keeps its position.
func (m *Machine) enterHeld() {
	m.recordBeltAtRest()
	if m.guard.MayBeOn() {
		m.timers.set(timerHeatersOff, m.now.Add(m.set.HeatersOffAfter))
	}
	m.beginHold()
}

// beginHold records the hold and calls the operator, in one transaction.
func (m *Machine) beginHold() {
	m.endHold("followed by " + m.state.String())
	m.resetVisitAlert()
	record := ledger.HoldBegun{ID: m.book.Next.Hold, State: m.state.String(), Reason: m.cause.Code, Text: m.cause.Text,
		TravelMM: m.belt.base.TravelMM}
	if m.lot != nil {
		record.LotID, record.AtPart = m.lot.ID, m.lot.Made
	}
	m.record(record)
	text := m.cause.Text
	if m.state == Aborted && m.guard.Text() != "" {
		text += "; the heaters are " + m.guard.Text()
	}
	m.alert(m.cause.Code, text)
}

// endHold records how the hold ended.
func (m *Machine) endHold(how string) {
	if h := m.book.Hold; h != nil {
		m.record(ledger.HoldEnded{ID: h.ID, How: how, By: m.by, Override: m.override})
	}
}

// waitsForCheck reports whether the hold in force ends by a check and none was recorded since it began.
func (m *Machine) waitsForCheck() bool {
	h := m.book.Hold
	return h != nil && byCheck(h.Reason) && !h.Checked
}

// checkContinue refuses to begin a part against what is known of the belt, unless the operator overrides it
// with a reason, which is recorded.
func (m *Machine) checkContinue(what string, r Request) error {
	if err := m.checkForward(what); err != nil {
		return err
	}
	if m.lot == nil || m.lot.Status != ledger.LotOpen {
		return &Refusal{What: what, Why: "no lot is open", Remedy: "open one", Command: "beltwarden lot start JOB --good N"}
	}
	for k, p := range m.lot.plans {
		if p == nil && m.lot.Counts[k].Wanted() > 0 {
			return &Refusal{What: what, Why: m.lot.missingPlan, Remedy: "restore the file as it was, or end the lot"}
		}
	}
	if u := m.rescaling.unknownWhy; u != "" && r.Override == "" {
		return &Refusal{What: what, Why: "the belt's scale is unknown since its change failed: " + u, Remedy: "stop, then reset: the board is asked again", Command: "beltwarden stop, then beltwarden reset"}
	}
	if m.bed.Beyond() && r.Override == "" {
		return &Refusal{What: what, Why: m.offsetText(),
			Remedy: "realign the belt and record it, or give a reason to go on anyway", Command: "beltwarden check --realigned, or --override REASON"}
	}
	return nil
}

// checkStart refuses a start that could damage the machine or the parts on it.
func (m *Machine) checkStart(r Request) error {
	const what = "start"
	if err := m.checkContinue(what, r); err != nil {
		return err
	}
	if m.lot.Wanted() == 0 {
		return &Refusal{What: what, Why: "all parts of the lot are made", Remedy: "count them and record the visit", Command: "beltwarden check --good N"}
	}
	if t := m.trials.open(); t != nil {
		return &Refusal{What: what, Why: fmt.Sprintf("trial %d is still open, and hands may be at the belt", t.ID), Remedy: "end the trial", Command: "beltwarden trial end --after-mm MM, or --give-up"}
	}
	if !m.belt.known {
		return &Refusal{What: what, Why: "a part may be under or just in front of the head since the last run ended",
			Remedy: "look, clear the belt and record it", Command: "beltwarden check --belt-cleared"}
	}
	if t := m.lot.Total(); t.Interrupted > 0 {
		return &Refusal{What: what, Why: fmt.Sprintf("%s undecided", plural(t.Interrupted, "interrupted part is", "interrupted parts are")),
			Remedy: "record whether it is good or scrap", Command: "beltwarden check --interrupted good|scrap"}
	}
	if why, due := m.dueHold(); due && r.Override == "" {
		return refusalOf(what, why, "a check is due before the next part: ")
	}
	if err := m.checkSupply(what, r); err != nil {
		return err
	}
	if left := m.leftoverSettings(); left != "" && r.Override == "" {
		return &Refusal{What: what, Why: left, Remedy: "set it in each job before the part, make separate lots with the board switched off in between, or give a reason to go on anyway", Command: "--override REASON"}
	}
	if m.boardDiffers != "" && r.Override == "" {
		return &Refusal{What: what, Why: m.boardDiffers, Remedy: "make sure that it is the right board with the right settings, then give a reason to go on", Command: m.boardDiffersCommand("--override REASON")}
	}
	return nil
}

// leftoverSettings describes what one job of the lot sets and another does not, where the board has not
// reported the earlier value: parts of the other job would be made with it. "" means nothing.
func (m *Machine) leftoverSettings() string {
	var list []string
	for a, sets := range m.lot.plans {
		for b, has := range m.lot.plans {
			if a == b || sets == nil || has == nil {
				continue
			}
			if left := gcode.Leftovers(sets.End, has.Begin, m.restoreOptions(true)); len(left) > 0 {
				list = append(list, fmt.Sprintf("%s sets %s and %s does not", m.lot.Jobs[a].Name, strings.Join(left, ", "), m.lot.Jobs[b].Name))
			}
		}
	}
	if len(list) == 0 {
		return ""
	}
	return strings.Join(list, "; ") + "; the board has not reported its own values, so parts of one would be made with the settings of the other"
}

// checkSupply refuses to continue while spool, bin or hours do not allow another part.
func (m *Machine) checkSupply(what string, r Request) error {
	if r.Override != "" {
		m.supplyOverrideTo = m.lot.Begun + 1 // one part; then it is judged again
		return nil
	}
	if why, due := m.dueSuspend(); due {
		return refusalOf(what, why, "")
	}
	return nil
}

// refusalOf returns a refusal because of a need.
func refusalOf(what string, why Cause, intro string) *Refusal {
	n, _ := NeedOf(why.Code)
	r := &Refusal{What: what, Why: intro + why.Text, Remedy: n.Remedy + ", or give a reason to go on anyway", Command: "--override REASON"}
	if n.Command != "" {
		r.Command = n.Command + ", or " + r.Command
	}
	return r
}

// checkUnhold refuses to unhold before the check that the hold is for.
func (m *Machine) checkUnhold(r Request) error {
	const what = "unhold"
	if err := m.checkContinue(what, r); err != nil {
		return err
	}
	if h := m.book.Hold; m.waitsForCheck() && r.Override == "" {
		return refusalOf(what, Cause{h.Reason, h.Text}, "the hold waits for a check and none was recorded: ")
	}
	return m.checkArticle(what, r)
}
