package supervisor

import (
	"encoding/json"
	"fmt"

	"beltwarden/supervisor/ledger"
)

// alert puts a call to the operator into the ledger's outbox, in the transaction
// of what it is about, so that neither exists without the other.
func (m *Machine) alert(out *Output, code, text string) {
	m.alerts++
	a := ledger.Alert{ID: fmt.Sprintf("%s-%d", m.start, m.alerts), Kind: code, State: m.state.String(), Reason: code, Text: text}
	body := alertBody{ID: a.ID, Machine: m.set.Machine, State: a.State, Reason: code, Text: text,
		TravelMM: m.belt.base.TravelMM, Advice: m.advice()}
	if l := m.lot; l != nil {
		t := l.total()
		a.LotID = l.ID
		body.Lot = &alertLot{ID: l.ID, Name: l.Name, Good: t.good, Unverified: t.unverified(), Scrap: t.scrap + t.torn, Ordered: t.ordered}
	}
	payload, err := json.Marshal(body)
	if err == nil { // numbers and strings alone: it cannot fail
		a.Payload = payload
	}
	out.record(ledger.AlertQueued{Alert: a})
}

// alertBody is what a webhook receives. Lengths are millimetres.
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

// advice says what the operator is to do in the present state.
func (m *Machine) advice() string {
	if t := m.trials.open(); t != nil && m.trials.wanted {
		return "keep hands off: the belt moves by itself; break it off with: beltwarden stop"
	} else if t != nil && t.Ran && !m.running() && !m.state.Acting() && m.state != Aborted {
		return "read the lateral offset and end the trial: beltwarden trial end --after-mm MM"
	}
	switch m.state {
	case Held:
		if m.offsetBeyond() {
			return "realign the belt, record it (beltwarden check --realigned), then: beltwarden unhold"
		}
		if m.hold != nil && m.hold.needsCheck && !m.hold.checked {
			return "read the lateral offset, look at the parts, record it (beltwarden check --offset-mm ... --good ...), then: beltwarden unhold"
		}
		return "go on with: beltwarden unhold"
	case Suspended:
		return "go on with: beltwarden unsuspend"
	case Aborted:
		visit := "beltwarden check --belt-cleared"
		if len(m.undecided) > 0 {
			visit += " --interrupted good|scrap"
		}
		return "look at the machine, keep hands off hot and moving parts, clear the belt; then: " + visit +
			", beltwarden clear, beltwarden reset, beltwarden start"
	case Complete:
		return "take out the parts, count them and record it: beltwarden check --good ... [--scrap reason=n]"
	case Stopped:
		return "make the machine ready with: beltwarden reset"
	case Idle:
		if m.lot != nil && m.lot.Status == ledger.LotOpen {
			if err := m.mayStart(Request{}); err != nil {
				return err.Error()
			}
			return "go on with the lot: beltwarden start"
		}
		return "open a lot with: beltwarden lot start JOB --good N"
	case Resetting, Clearing:
		if m.link.problem != "" {
			return "waiting for the board: " + m.link.problem
		}
	}
	return ""
}
