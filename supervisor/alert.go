package supervisor

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"beltwarden/supervisor/ledger"
)

// alert puts a call to the operator into the ledger's outbox, in the transaction
// of what it is about, so that neither exists without the other.
func (m *Machine) alert(out *Output, code, text string) {
	m.alerts++
	a := ledger.Alert{ID: fmt.Sprintf("%s-%d", m.start, m.alerts), Kind: code, State: m.state.String(), Reason: code, Text: text}
	body := alertBody{ID: a.ID, Machine: m.set.Machine, State: a.State, Reason: code, Text: text,
		TravelMM: m.belt.base.TravelMM, Advice: m.advice()}
	if code == CauseGoOn {
		body.Advice = "keep hands off; to keep it where it is: beltwarden alert acknowledge"
	}
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

// ahead is what has been told of the next visit.
type ahead struct {
	told bool
	look time.Time // not before
}

const (
	// lookEvery is how often it is asked when the next visit is due.
	lookEvery = 15 * time.Second
	// farAgain: a visit that was told and has moved so many times VisitAhead away is
	// told again when it comes near.
	farAgain = 2
)

// tellAhead calls somebody for a visit that comes near: once, whichever way the
// forecast moves a little. A hold, its end, or a check makes the next visit another one.
func (m *Machine) tellAhead(out *Output) {
	if m.set.VisitAhead <= 0 || m.state != Execute || m.now.Before(m.ahead.look) {
		return
	}
	m.ahead.look = m.now.Add(lookEvery)
	list := m.schedule()
	if len(list) == 0 {
		return
	}
	next := list[0]
	switch in := next.At.Sub(m.now); {
	case in > farAgain*m.set.VisitAhead:
		m.ahead.told = false
	case in <= m.set.VisitAhead && !m.ahead.told:
		m.ahead.told = true
		text := fmt.Sprintf("a visit is due about %s, in %s: %s", next.At.Local().Format("15:04"), minutes(in), next.Text)
		if len(next.Bring) > 0 {
			text += "; bring: " + strings.Join(next.Bring, ", ")
		}
		m.alert(out, CauseVisit, text)
	}
}

// visited begins the next interval between visits.
func (m *Machine) visited() { m.ahead = ahead{} }

// minutes is a short time in words.
func minutes(d time.Duration) string {
	return plural(max(0, int(d.Round(time.Minute)/time.Minute)), "minute", "minutes")
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
		if why, due := m.dueSuspend(); due {
			n, _ := NeedOf(why.Code)
			return n.Remedy + "; then: beltwarden unsuspend"
		}
		return "go on with: beltwarden unsuspend"
	case Aborted:
		if m.latched != "" {
			return mendAdvice
		}
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
