package supervisor

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"beltwarden/supervisor/ledger"
)

// alert puts a call to the operator into the ledger's outbox, in the same transaction as its subject,
// so that neither exists without the other.
func (m *Machine) alert(code, text string) {
	m.alerts++
	a := ledger.Alert{ID: fmt.Sprintf("%s-%d", m.processID, m.alerts), Kind: code, State: m.state.String(), Reason: code, Text: text}
	body := alertBody{ID: a.ID, Machine: m.set.Machine, State: a.State, Reason: code, Text: text,
		TravelMM: m.belt.base.TravelMM, Advice: m.advice().text}
	if code == CauseAutoResume {
		body.Advice = "keep hands off; to stop it from resuming by itself, acknowledge this alert"
	}
	if l := m.lot; l != nil {
		t := l.Total()
		a.LotID = l.ID
		body.Lot = &alertLot{ID: l.ID, Name: l.Name, Good: t.Good, Unverified: t.NotLookedAt(), Scrap: t.Scrap, Ordered: t.Ordered}
	}
	payload, err := json.Marshal(body)
	if err == nil { // only numbers and strings: it cannot fail
		a.Payload = payload
	}
	m.record(ledger.AlertQueued{Alert: a})
}

// visitAlert is what has been announced of the next visit.
type visitAlert struct {
	sent bool
	next time.Time // earliest time of the next evaluation
}

const (
	// visitCheckEvery is how often the time of the next visit is evaluated.
	visitCheckEvery = 15 * time.Second
	// rearmShare: an announced visit that has since moved this many times VisitAhead away is announced
	// again when it comes near.
	rearmShare = 2
)

// announceVisit announces an approaching visit once, even if the forecast moves a little. A hold, its end
// or a check makes the next visit a different one.
func (m *Machine) announceVisit() {
	if m.set.VisitAhead <= 0 || m.state != Execute || m.now.Before(m.visitAlert.next) {
		return
	}
	m.visitAlert.next = m.now.Add(visitCheckEvery)
	list := m.schedule()
	if len(list) == 0 {
		return
	}
	next := list[0]
	switch in := next.At.Sub(m.now); {
	case in > rearmShare*m.set.VisitAhead:
		m.visitAlert.sent = false
	case in <= m.set.VisitAhead && !m.visitAlert.sent:
		m.visitAlert.sent = true
		text := fmt.Sprintf("a visit is due about %s, in %s: %s", next.At.Local().Format("15:04"), minutes(in), next.Text)
		if len(next.Bring) > 0 {
			text += "; bring: " + strings.Join(next.Bring, ", ")
		}
		m.alert(CauseVisit, text)
	}
}

// resetVisitAlert begins the next interval between visits.
func (m *Machine) resetVisitAlert() { m.visitAlert = visitAlert{} }

// minutes formats a short time for a person.
func minutes(d time.Duration) string {
	return plural(max(0, int(d.Round(time.Minute)/time.Minute)), "minute", "minutes")
}

// alertBody is what a webhook receives. Lengths are in millimetres.
type alertBody struct {
	ID       string    `json:"id"`
	Machine  string    `json:"machine"`
	State    string    `json:"state"`
	Reason   string    `json:"reason"`
	Text     string    `json:"text"`
	Advice   string    `json:"advice,omitempty"`
	TravelMM float64   `json:"belt_travel_mm"`
	Lot      *alertLot `json:"lot,omitempty"`
}

type alertLot struct {
	ID         int64  `json:"id"`
	Name       string `json:"name"`
	Good       int    `json:"good"`
	Unverified int    `json:"unverified"`
	Scrap      int    `json:"scrap"`
	Ordered    int    `json:"ordered"`
}

// advice is what the operator has to do, with the command line for it, if there is one.
type advice struct{ text, command string }

// String formats it for a terminal.
func (a advice) String() string {
	if a.command == "" {
		return a.text
	}
	return a.text + ": " + a.command
}

// advice returns what the operator has to do in the present state.
func (m *Machine) advice() advice {
	if t := m.trials.open(); t != nil && m.trials.active {
		return advice{"keep hands off: the belt moves by itself; to stop it", "beltwarden stop"}
	} else if t != nil && t.Ran && !m.running() && !m.state.Acting() && m.state != Aborted {
		return advice{"read the lateral offset and end the trial", "beltwarden trial end --after-mm MM"}
	}
	switch m.state {
	case Held:
		if m.bed.Beyond() {
			return advice{"realign the belt, record the visit and go on", "beltwarden check --realigned, then beltwarden unhold"}
		}
		if m.waitsForCheck() {
			lengths := ""
			if m.book.Hold.Reason == CauseSize {
				lengths = " [--set-aside N | --accept-lengths] --note TEXT"
			}
			return advice{"read the lateral offset, look at the parts, record the visit and go on", "beltwarden check --offset-mm MM --good N" + lengths + ", then beltwarden unhold"}
		}
		return advice{"let it go on", "beltwarden unhold"}
	case Suspended:
		if why, due := m.dueSuspend(); due {
			n, _ := NeedOf(why.Code)
			if n.Command == "" {
				return advice{n.Remedy + "; then let it go on", "beltwarden unsuspend"}
			}
			return advice{n.Remedy + "; then let it go on", n.Command + ", then beltwarden unsuspend"}
		}
		return advice{"let it go on", "beltwarden unsuspend"}
	case Aborted:
		if m.heatFault != "" {
			return advice{repairAdvice, repairCommand}
		}
		judge, visit := "", "beltwarden check --belt-cleared"
		if len(m.book.Undecided) > 0 {
			judge, visit = ", decide whether the interrupted part is good or scrap", visit+" --interrupted good|scrap"
		}
		return advice{"look at the machine, keep hands off hot and moving parts, clear the belt" + judge + " and record the visit; then clear the fault, reset and start",
			visit + ", beltwarden clear, beltwarden reset, beltwarden start"}
	case Complete:
		return advice{"take out the parts, count them and record the visit", "beltwarden check --good N [--scrap reason=n]"}
	case Stopped:
		return advice{"reset to make the machine ready", "beltwarden reset"}
	case Idle:
		if m.lot != nil && m.lot.Status == ledger.LotOpen {
			if err := m.checkStart(Request{}); err != nil {
				return adviceOfRefusal(err)
			}
			return advice{"start to go on with the lot", "beltwarden start"}
		}
		return advice{"open a lot", "beltwarden lot start JOB --good N"}
	case Resetting, Clearing:
		if m.link.problem != "" {
			return advice{"waiting for the board: " + m.link.problem, m.link.command}
		}
	}
	return advice{}
}

// adviceOfRefusal returns the advice in a refusal.
func adviceOfRefusal(err error) advice {
	var r *Refusal
	if !errors.As(err, &r) {
		return advice{text: err.Error()}
	}
	return advice{withoutCommands(err), r.Command}
}
