package supervisor

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// alert puts a call to the operator into the ledger's outbox, in the same transaction as its subject,
// so that neither exists without the other.
func (m *Machine) alert(code, text string) {
	m.alerts++
	a := ledger.Alert{ID: fmt.Sprintf("%s-%d", m.processID, m.alerts), Kind: code, State: m.state.String(), Reason: code, Text: text}
	if l := m.lot; l != nil {
		a.LotID = l.ID
	}
	payload, err := json.Marshal(m.alertBody(a))
	if err == nil { // only numbers and strings: it cannot fail
		a.Payload = payload
	}
	m.record(ledger.AlertQueued{Alert: a})
}

// alertBody returns what is known when an alert is raised.
func (m *Machine) alertBody(a ledger.Alert) AlertBody {
	m.prediction = prediction{} // of the state before
	s := m.Snapshot(m.now)
	b := AlertBody{ID: a.ID, Machine: s.Machine, State: a.State, Reason: a.Kind, Text: a.Text, TravelMM: math.Round(10*m.belt.base.TravelMM) / 10,
		Heat: m.alertHeat(a.Kind, s), Advice: m.advice().text}
	n, _ := NeedOf(a.Kind)
	b.Bring = n.Bring
	switch a.Kind {
	case CauseAutoResume:
		b.Advice = "keep hands off; to stop it from resuming by itself, acknowledge this alert"
	case CauseHeatUnusual:
		b.Advice = "at the next visit look at the heater, its sensor and their wiring"
	case CauseVisit:
		if v := s.Next; v != nil {
			n, _ := NeedOf(v.Reason)
			b.Bring, b.Visit = v.Bring, &AlertVisit{At: v.At, Reason: v.Reason}
			b.Advice = completeAdvice // of the end of the lot
			if n.Do != "" {
				b.Advice = strings.ToLower(n.Do[:1]) + strings.TrimSuffix(n.Do[1:], ".") + "; record the visit"
			}
		}
	}
	if b.Advice = b.Heat.first(b.Advice); b.Advice == "" && m.state == Aborting {
		b.Advice = handsAdvice + "; go to the machine; wait for the message that says whether the heaters are off"
	}
	if l := s.Lot; l != nil {
		b.Lot = &AlertLot{ID: l.ID, Name: l.Name, Ordered: l.Ordered, Made: l.Made, Good: l.Good, Scrap: l.Scrap, Unverified: l.Unverified,
			Interrupted: l.Interrupted, InProgress: l.InProgress}
		if d := m.nextDuration(); l.Status == ledger.LotOpen && m.lot.Wanted() > 0 && d > 0 {
			b.Waiting = &AlertWaiting{PartsPerHour: math.Round(10*time.Hour.Seconds()/d.Seconds()) / 10}
			if l.Ready != nil {
				b.Waiting.ReadyAt = l.Ready.At
			}
		}
	}
	return b
}

// alertHeat judges the heaters for an alert.
func (m *Machine) alertHeat(code string, s *Snapshot) AlertHeat {
	h := AlertHeat{OffAt: m.timers[timerHeatersOff]}
	if s.Heat.HasNozzle {
		c := math.Round(s.Heat.NozzleC)
		h.NozzleC = &c
	}
	if s.Heat.HasBed {
		c := math.Round(s.Heat.BedC)
		h.BedC = &c
	}
	switch faulted := m.state == Aborting || m.state == Aborted; {
	case s.Heat.Unsure && code == CauseRestart && m.link.problem == "":
		h.Is = HeatUnknown // the board is being reached: linkFailed calls again
	case m.state == Aborting && m.link.phase != linkUp: // out of reach in the step that finds it, see alertFault
		h.Is = HeatMayBeOn
	case s.Heat.Unsure, m.heatFault != "" && !m.guard.ShownOff(), faulted && m.guard.Failed(), faulted && code == CauseHeat:
		h.Is = HeatMayBeOn
	case m.guard.ShownOff():
		h.Is = HeatOff
	case m.state == Aborting, m.guard.Proving():
		h.Is = HeatGoingOff
	case m.maybeHeating():
		h.Is = HeatOn
	default:
		h.Is = HeatNone
	}
	return h
}

// first puts what cannot wait before what to do.
func (h *AlertHeat) first(advice string) string {
	if h.Is != HeatMayBeOn || strings.HasPrefix(advice, mainsAdvice) {
		return advice
	}
	advice = strings.TrimPrefix(advice, handsAdvice+"; ")
	return mainsAdvice + " if that is safe; " + handsAdvice + "; " + cmp.Or(advice, "stay until it has cooled")
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
		m.alert(CauseVisit, fmt.Sprintf("a visit is due about %s, in %s: %s", next.At.Local().Format("15:04"), minutes(in), next.Text))
	}
}

// resetVisitAlert begins the next interval between visits.
func (m *Machine) resetVisitAlert() { m.visitAlert = visitAlert{} }

// minutes formats a short time for a person.
func minutes(d time.Duration) string {
	return plural(max(0, int(d.Round(time.Minute)/time.Minute)), "minute", "minutes")
}

// What an alert says of the heaters, as known when it was raised.
const (
	HeatMayBeOn  = "may_be_on"  // and cannot be switched off from here, or are not shown to be off: cut the mains
	HeatUnknown  = "unknown"    // until the board answers, which it is being asked to
	HeatOn       = "on"         // on purpose; OffAt is when they go off by themselves
	HeatGoingOff = "going_off"  // switched off, and not yet shown to be off
	HeatOff      = "off"        // shown to be off
	HeatNone     = "not_heated" // nothing is heated
)

// AlertBody is what a webhook receives of an alert. Lengths are in millimetres.
type AlertBody struct {
	ID      string    `json:"id"`
	Machine string    `json:"machine"`
	State   string    `json:"state"`
	Reason  string    `json:"reason"`
	Text    string    `json:"text"`
	Heat    AlertHeat `json:"heat,omitzero"`
	// Waiting is what it costs while the machine stands still; nil if nothing.
	Waiting *AlertWaiting `json:"waiting,omitempty"`
	Bring   []string      `json:"bring,omitempty"`
	// Advice is what to do, step by step, with semicolons between the steps.
	Advice   string      `json:"advice,omitempty"`
	Visit    *AlertVisit `json:"visit,omitempty"` // that approaches
	TravelMM float64     `json:"belt_travel_mm"`
	Lot      *AlertLot   `json:"lot,omitempty"`
}

// AlertHeat is what is known of the heaters, degrees Celsius.
type AlertHeat struct {
	Is      string    `json:"is"`
	NozzleC *float64  `json:"nozzle_c,omitempty"` // last read
	BedC    *float64  `json:"bed_c,omitempty"`
	OffAt   time.Time `json:"off_at,omitzero"`
}

// AlertWaiting is what is not made while nobody comes.
type AlertWaiting struct {
	PartsPerHour float64 `json:"parts_per_hour"`
	// ReadyAt is when the ordered parts would have been made if somebody came now; zero if unknown.
	ReadyAt time.Time `json:"ready_at,omitzero"`
}

// AlertVisit is a visit that approaches.
type AlertVisit struct {
	At     time.Time `json:"at"`
	Reason string    `json:"reason"`
}

// AlertLot is the balance of the lot in progress.
type AlertLot struct {
	ID          int64  `json:"id"`
	Name        string `json:"name"`
	Ordered     int    `json:"ordered"`
	Made        int    `json:"made"`
	Good        int    `json:"good"`
	Scrap       int    `json:"scrap"`
	Unverified  int    `json:"unverified"`
	Interrupted int    `json:"interrupted"`
	InProgress  int    `json:"in_progress"`
}

// Count is the lot's balance.
func (l *AlertLot) Count() book.Count {
	return book.Count{Ordered: l.Ordered, Made: l.Made, Good: l.Good, Scrap: l.Scrap, Interrupted: l.Interrupted}
}

// advice is what the operator has to do, step by step with semicolons between the steps, and the
// command lines for it, to be given one after the other; none where none helps.
type advice struct {
	text  string
	steps []string
}

func advise(text string, steps ...string) advice { return advice{text, steps} }

const (
	completeAdvice = "take out the parts; count them; record the visit"
	mainsAdvice    = "switch the machine off at the mains"
	handsAdvice    = "keep hands off hot and moving parts"
)

// String formats it for a terminal.
func (a advice) String() string {
	if len(a.steps) == 0 {
		return a.text
	}
	return a.text + ": " + strings.Join(a.steps, ", then ")
}

// advice returns what the operator has to do in the present state.
func (m *Machine) advice() advice {
	if t := m.trials.open(); t != nil && m.trials.active {
		return advise("keep hands off: the belt moves by itself; to stop it", "beltwarden stop")
	} else if t != nil && t.Ran && !m.running() && !m.state.Acting() && m.state != Aborted {
		return advise("read the lateral offset and end the trial", "beltwarden trial end --after-mm MM")
	}
	switch m.state {
	case Held:
		if m.bed.Beyond() {
			return advise("realign the belt; record the visit; let it go on", "beltwarden check --realigned", "beltwarden unhold")
		}
		if list := m.articlesIn(); len(list) > 0 && list[0] == 0 {
			return advise(needFirstArticle.Remedy+"; then let it go on", needFirstArticle.Command, "beltwarden unhold")
		}
		if m.waitsForCheck() {
			lengths := ""
			if m.book.Hold.Reason == CauseSize {
				lengths = " [--set-aside N | --accept-lengths] --note TEXT"
			}
			return advise("read the lateral offset; look at the parts; record the visit; let it go on", "beltwarden check --offset-mm MM --good N"+lengths, "beltwarden unhold")
		}
		return advise("let it go on", "beltwarden unhold")
	case Suspended:
		if why, due := m.dueSuspend(); due {
			n, _ := NeedOf(why.Code)
			if n.Command == "" {
				return advise(n.Remedy+"; then let it go on", "beltwarden unsuspend")
			}
			return advise(n.Remedy+"; then let it go on", n.Command, "beltwarden unsuspend")
		}
		return advise("let it go on", "beltwarden unsuspend")
	case Aborted:
		if m.heatFault != "" {
			return advise(repairAdvice, repairCommand)
		}
		judge, visit := "", "beltwarden check --belt-cleared"
		if len(m.book.Undecided) > 0 {
			judge, visit = "; decide whether the interrupted part is good or scrap", visit+" --interrupted good|scrap"
		}
		return advise(handsAdvice+"; look at the machine; clear the belt"+judge+"; record the visit; then clear the fault, reset and start",
			visit, "beltwarden clear", "beltwarden reset", "beltwarden start")
	case Complete:
		switch l := m.lot; {
		case l != nil && l.Total().NotLookedAt() > 0:
			return advise(completeAdvice, "beltwarden check --good N [--scrap reason=n]")
		case l != nil && l.Status == ledger.LotOpen && l.Wanted() > 0:
			return advise("make the machine ready and go on with the lot", "beltwarden reset --go-on")
		}
		return advise("open the next lot", "beltwarden lot start JOB --good N")
	case Stopped:
		if m.checkStart(Request{}) == nil {
			return advise("make the machine ready and go on with the lot", "beltwarden reset --go-on")
		}
		return advise("reset to make the machine ready", "beltwarden reset")
	case Idle:
		if m.set.ForwardUnknown {
			return advise("find which way the belt moves", "beltwarden setup")
		}
		if m.lot != nil && m.lot.Status == ledger.LotOpen {
			if err := m.checkStart(Request{}); err != nil {
				return adviceOfRefusal(err)
			}
			return advise("start to go on with the lot", "beltwarden start")
		}
		return advise("open a lot", "beltwarden lot start JOB --good N")
	case Resetting, Clearing:
		if m.link.problem != "" {
			if m.link.command == "" {
				return advise("waiting for the board: " + m.link.problem)
			}
			return advise("waiting for the board: "+m.link.problem, m.link.command)
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
	return advise(withoutCommands(err), stepsOf(r, "start")...)
}
