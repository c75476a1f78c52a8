package alert

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"beltwarden/supervisor"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// Urgency is how long an alert can wait.
type Urgency int

// The urgencies, the least first.
const (
	Notice Urgency = iota // nothing stands still yet: a visit comes near, a lot is made
	Hold                  // the machine waits, safe, for a person
	Urgent                // a fault, or heaters that may be on: never kept back
)

// String returns the word in messages.
func (u Urgency) String() string { return [...]string{"notice", "hold", "urgent"}[u] }

// UrgencyOf judges an alert by what it is about.
func UrgencyOf(a ledger.Alert) Urgency {
	switch a.Kind {
	case supervisor.CauseVisit, supervisor.CauseDone, supervisor.CauseHeatUnusual:
		return Notice
	case supervisor.CauseHeat, supervisor.CauseLink, supervisor.CauseBoard, supervisor.CauseLedger, supervisor.CauseRestart, supervisor.CauseAccess, supervisor.CauseHeatOff, supervisor.CauseAutoResume, daemonDown:
		return Urgent
	}
	if a.State == supervisor.Aborting.String() || a.State == supervisor.Aborted.String() {
		return Urgent
	}
	return Hold
}

// Message is what one receiver gets at once: an alert, or several collected into
// one. Its text is the same whichever way it goes.
type Message struct {
	ID      string // the same for a repetition
	Subject string // short enough for the lock screen of a telephone
	Text    string // what is the matter, counts, what to do, where; several lines
	Link    string // to the visit form; "" where none is known
	Urgency Urgency
	About   ledger.Alert    // the alert; of several the newest of the most urgent
	Parts   []string        // identities of the alerts collected; nil for a single one
	JSON    json.RawMessage // the alert's own figures, with subject and text added
}

// Writer words messages.
type Writer struct {
	Machine string // for alerts that do not name theirs
	// VisitURL is the address of the visit form; "" where none is known.
	VisitURL string
}

// body is what of an alert's payload goes into the text.
type body struct {
	Machine string `json:"machine"`
	Advice  string `json:"advice"`
	Lot     *struct {
		ID         int64  `json:"id"`
		Name       string `json:"name"`
		Good       int    `json:"good"`
		Unverified int    `json:"unverified"`
		Scrap      int    `json:"scrap"`
		Ordered    int    `json:"ordered"`
	} `json:"lot"`
}

// one words a single alert.
func (w *Writer) one(a ledger.Alert, patience time.Duration) *Message {
	b := w.read(a)
	m := &Message{ID: a.ID, About: a, Link: w.VisitURL, Urgency: UrgencyOf(a), Subject: shorten(shorten(b.Machine, mostMachine)+" "+headline(a), mostSubject)}
	var t strings.Builder
	preface(&t, patience)
	fmt.Fprintf(&t, "%s: %s since %s\n", b.Machine, stateWord(a), moment(a.Stamp.At))
	w.rest(&t, a, b)
	m.Text = t.String()
	m.JSON = w.json(a, m)
	return m
}

// rest writes what follows the first line: why, counts, what to do, where.
func (w *Writer) rest(t *strings.Builder, a ledger.Alert, b body) {
	if a.Text != "" {
		fmt.Fprintf(t, "Why: %s\n", line(a.Text))
	}
	if l := b.Lot; l != nil {
		count := book.Count{Ordered: l.Ordered, Made: l.Good + l.Unverified + l.Scrap, Good: l.Good, Scrap: l.Scrap}
		fmt.Fprintf(t, "Lot %d (%s): %s\n", l.ID, line(l.Name), count)
	}
	if b.Advice != "" {
		fmt.Fprintf(t, "What to do: %s\n", line(b.Advice))
	}
	if w.VisitURL != "" {
		fmt.Fprintf(t, "Visit form: %s\n", w.VisitURL)
	}
	fmt.Fprintf(t, "Alert %s\n", a.ID)
}

// mostLines is how many of the alerts collected are listed one by one.
const mostLines = 12

// Several words alerts, given the oldest first, in one message; the newest of the
// most urgent is given whole. patience is how long nobody has acted, 0 for those who
// are called first.
func (w *Writer) Several(alerts []ledger.Alert, patience time.Duration) *Message {
	if len(alerts) == 1 {
		return w.one(alerts[0], patience)
	}
	about := alerts[0]
	for _, a := range alerts {
		if UrgencyOf(a) >= UrgencyOf(about) {
			about = a
		}
	}
	first, last := alerts[0], alerts[len(alerts)-1]
	b := w.read(about)
	m := &Message{ID: first.ID + "--" + last.ID, About: about, Link: w.VisitURL, Urgency: UrgencyOf(about)}
	since := first.Stamp.At.Local().Format("15:04")
	m.Subject = shorten(fmt.Sprintf("%s %d alerts since %s: %s", shorten(b.Machine, mostMachine), len(alerts), since, headline(about)), mostSubject)
	var t strings.Builder
	preface(&t, patience)
	fmt.Fprintf(&t, "%s: %d alerts since %s\n", b.Machine, len(alerts), moment(first.Stamp.At))
	listed := alerts
	if n := len(alerts) - mostLines; n > 0 {
		fmt.Fprintf(&t, "(%d earlier ones are left out)\n", n)
		listed = alerts[n:]
	}
	for _, a := range listed {
		fmt.Fprintf(&t, "%s %s: %s\n", moment(a.Stamp.At), stateWord(a), shorten(a.Text, 120))
	}
	fmt.Fprintf(&t, "\nMost urgent: %s since %s\n", stateWord(about), moment(about.Stamp.At))
	w.rest(&t, about, b)
	m.Text = t.String()
	for _, a := range alerts {
		m.Parts = append(m.Parts, a.ID)
	}
	m.JSON = w.json(about, m)
	return m
}

// preface says why somebody is called who is not the first.
func preface(t *strings.Builder, patience time.Duration) {
	if patience > 0 {
		fmt.Fprintf(t, "Nobody has acted on this for %s, so you are called too.\n", inWords(patience))
	}
}

// inWords is a time of minutes.
func inWords(d time.Duration) string {
	return fmt.Sprintf("%d min", int(d.Round(time.Minute)/time.Minute))
}

// read takes from an alert's payload what goes into the text.
func (w *Writer) read(a ledger.Alert) body {
	var b body
	if err := json.Unmarshal(a.Payload, &b); err != nil {
		b = body{} // an alert without figures is sent without them
	}
	if b.Machine == "" {
		b.Machine = w.Machine
	}
	b.Machine = line(b.Machine)
	return b
}

// json is the alert's own payload, or its fields, with what was worded added.
func (w *Writer) json(a ledger.Alert, m *Message) json.RawMessage {
	var all map[string]any
	if err := json.Unmarshal(a.Payload, &all); err != nil || all == nil {
		all = map[string]any{"machine": w.Machine, "state": a.State, "reason": a.Reason, "text": a.Text}
		if a.LotID > 0 {
			all["lot_id"] = a.LotID
		}
	}
	all["id"], all["kind"], all["urgency"] = m.ID, a.Kind, m.Urgency.String()
	all["subject"], all["message"] = m.Subject, m.Text
	if !a.Stamp.At.IsZero() {
		all["raised"] = a.Stamp.At.UTC().Format(time.RFC3339)
	}
	if m.Link != "" {
		all["visit_url"] = m.Link
	}
	if m.Parts != nil {
		all["alerts"] = m.Parts
	}
	data, err := json.Marshal(all)
	if err != nil { // what was read from JSON can be written as it
		return a.Payload
	}
	return data
}
