package alert

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// Lock screens show some forty to sixty characters of a first line, so that what to do comes first, and
// what may be cut off last.
const (
	mostSubject = 72
	mostMachine = 18
)

// Message is what one receiver gets at once: an alert, or several collected into
// one. Its text is the same whichever way it goes.
type Message struct {
	ID      string // the same for a repetition
	Machine string
	Subject string // what to do, where, and what is the matter, for the lock screen of a telephone
	Text    string // Body and the links, several lines
	Body    string // what, where, how urgent and so on, in the order of [Writer.body]
	Visit   string // address of the visit form; "" where none is known
	Coming  string // address that acknowledges, signed; "" where none can be given
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
	// ComingURL signs an address by which somebody at a receiver acknowledges an alert; nil where
	// there is none.
	ComingURL func(alert, receiver string) string
}

// Call is the occasion of a message.
type Call struct {
	Receiver string        // name of who is called
	Now      time.Time     // what lies before is past
	Patience time.Duration // how long nobody has acted, 0 for those who are called first
}

// mostLines is how many of the alerts collected are listed one by one.
const mostLines = 12

// Several words alerts, given the oldest first, in one message; the newest of the
// most urgent is given whole.
func (w *Writer) Several(c Call, alerts ...ledger.Alert) *Message {
	about := alerts[0]
	for _, a := range alerts {
		if UrgencyOf(a) >= UrgencyOf(about) {
			about = a
		}
	}
	b := w.read(about)
	m := &Message{ID: about.ID, Machine: b.Machine, About: about, Urgency: UrgencyOf(about), Visit: w.VisitURL, Subject: subject(about, b)}
	if w.ComingURL != nil && about.Stamp.Seq > 0 { // others are not in the ledger, and nobody waits for them
		m.Coming = w.ComingURL(about.ID, c.Receiver)
	}
	m.Body = w.body(c, about, b)
	if n := len(alerts); n > 1 {
		first, last := alerts[0], alerts[n-1]
		m.ID = first.ID + "--" + last.ID
		more := fmt.Sprintf(" (%d alerts since %s)", n, first.Stamp.At.Local().Format("15:04"))
		m.Subject = shorten(m.Subject, mostSubject-len(more)) + more
		m.Body += list(alerts)
		for _, a := range alerts {
			m.Parts = append(m.Parts, a.ID)
		}
	}
	m.Text = m.Body + m.links()
	m.JSON = w.json(about, m)
	return m
}

// Subject returns the machine of an alert, and what a message about it has as its subject.
func (w *Writer) Subject(a ledger.Alert) (machine, text string) {
	b := w.read(a)
	return b.Machine, subject(a, b)
}

// subject says what to do, at which machine, and what is the matter.
func subject(a ledger.Alert, b supervisor.AlertBody) string {
	verb, matter := headline(a, b)
	text := verb + ", " + shorten(b.Machine, mostMachine)
	if matter != "" {
		text += ": " + matter
	}
	return shorten(text, mostSubject)
}

// headline is what to do and what is the matter, each in a few words.
func headline(a ledger.Alert, b supervisor.AlertBody) (verb, matter string) {
	k := kindOf(a)
	verb, matter = k.verb, k.matter
	var tail []string
	add := func(format string, v ...any) { tail = append(tail, fmt.Sprintf(format, v...)) }
	switch l := b.Lot; {
	case b.Heat.Is == supervisor.HeatMayBeOn:
		verb = cutMains
		if c := hottest(b.Heat); c >= hotC {
			add("heaters were at %.0f °C", c)
		} else {
			add("heaters not shown to be off")
		}
	case a.Kind == supervisor.CauseVisit && b.Visit != nil:
		verb = "Come by " + b.Visit.At.Local().Format("15:04")
		matter = wording.CauseHeadline(supervisor.Cause{Code: b.Visit.Reason, Text: "lot done then"})
	case a.Kind == supervisor.CauseDone && l != nil:
		if add("%d made", l.Made); l.Unverified > 0 {
			add("%d not looked at", l.Unverified)
		}
	case a.Kind == supervisor.CauseCare:
		matter, _, _ = strings.Cut(a.Text, ":")
	case a.Kind == supervisor.CauseAutoResume && a.State != supervisor.Aborted.String():
		matter = "it moves"
	case k.verb == kinds[supervisor.CauseCheckParts].verb && l != nil && l.Unverified == 1:
		add("1 part waits")
	case k.verb == kinds[supervisor.CauseCheckParts].verb && l != nil && l.Unverified > 1:
		add("%d parts wait", l.Unverified)
	}
	if k.waits && b.Heat.Is == supervisor.HeatOn && !b.Heat.OffAt.IsZero() {
		add("heaters off at %s", b.Heat.OffAt.Local().Format("15:04"))
	}
	if matter != "" {
		tail = append([]string{matter}, tail...)
	}
	return verb, strings.Join(tail, ", ")
}

// hotC is hot to the touch, degrees Celsius; of less a subject says nothing (common practice, no source).
const hotC = 50

// hottest is the highest temperature last read; 0 if none was.
func hottest(h supervisor.AlertHeat) (c float64) {
	for _, v := range []*float64{h.NozzleC, h.BedC} {
		if v != nil {
			c = math.Max(c, *v)
		}
	}
	return c
}

// urgency says how urgent an alert is; "" of a test.
func urgency(code string, k kind) string {
	const soon = "soon: the machine waits, safe, and makes nothing"
	switch {
	case code == testKind:
		return ""
	case code == supervisor.CauseUnattended:
		return "no hurry: it waits for attended hours"
	case code == supervisor.CauseHeatOff: // sent at once, for whoever knows of the fault
		return soon
	}
	return [...]string{"no hurry: nothing stands still", soon, "at once"}[k.urgency]
}

// body says, always in this order: what, where, how urgent, since when; how warm it is and until when;
// what waiting costs; what to bring; the balance of the lot; what to do.
func (w *Writer) body(c Call, a ledger.Alert, b supervisor.AlertBody) string {
	var t strings.Builder
	if c.Patience > 0 {
		fmt.Fprintf(&t, "Nobody has acted on this for %s, so you are called too.\n", inWords(c.Patience))
	}
	put := func(label, text string) {
		if text != "" {
			fmt.Fprintf(&t, "%s: %s\n", label, text)
		}
	}
	text := line(a.Text)
	if verb, matter := headline(a, b); text == "" {
		text = strings.TrimSuffix(verb+", "+matter, ", ")
	}
	put("What", text)
	put("Where", b.Machine)
	k := kindOf(a)
	put("How urgent", urgency(a.Kind, k))
	put("Since", clock(a.Stamp.At, c.Now))
	put("Heaters", heaters(b.Heat, a.State, c.Now))
	if k.waits {
		put("Waiting costs", waiting(b.Waiting, c.Now))
	}
	put("Bring", line(strings.Join(b.Bring, ", ")))
	if l := b.Lot; l != nil {
		put("Count", fmt.Sprintf("lot %d (%s), %s", l.ID, line(l.Name), l.Count()))
	}
	if b.Advice != "" {
		t.WriteString("What to do:\n")
		for i, step := range strings.Split(b.Advice, "; ") {
			fmt.Fprintf(&t, "%d. %s\n", i+1, wording.Sentence(line(step)))
		}
	}
	return t.String()
}

// heaters says whether it is hot, and until when it stays warm.
func heaters(h supervisor.AlertHeat, state string, now time.Time) string {
	var read []string
	if h.NozzleC != nil {
		read = append(read, fmt.Sprintf("nozzle %.0f °C", *h.NozzleC))
	}
	if h.BedC != nil {
		read = append(read, fmt.Sprintf("bed %.0f °C", *h.BedC))
	}
	last := ""
	if read != nil {
		last = "; last read " + strings.Join(read, ", ")
	}
	switch h.Is {
	case supervisor.HeatMayBeOn:
		return "may be on" + last
	case supervisor.HeatUnknown:
		return "may be on until the board answers" + last
	case supervisor.HeatOn:
		switch off := clock(h.OffAt, now); {
		case h.OffAt.IsZero():
			return "on" + last
		case h.OffAt.After(now):
			return "stay warm until " + off + ", then they go off by themselves" + last
		default:
			return "were to go off by themselves at " + off + last
		}
	case supervisor.HeatGoingOff:
		text := "switched off, not yet shown to be off" + last
		if state == supervisor.Aborting.String() || state == supervisor.Aborted.String() {
			text += "; a message follows that says whether they are"
		}
		return text
	case supervisor.HeatOff:
		return "shown to be off" + last
	case supervisor.HeatNone:
		return "not heated"
	}
	return ""
}

// waiting says what is not made while nobody comes; "" if nothing.
func waiting(w *supervisor.AlertWaiting, now time.Time) string {
	if w == nil || w.PartsPerHour <= 0 {
		return ""
	}
	text := fmt.Sprintf("%.1f parts an hour are not made", w.PartsPerHour)
	if w.PartsPerHour >= 10 {
		text = fmt.Sprintf("%.0f parts an hour are not made", w.PartsPerHour)
	}
	if w.ReadyAt.After(now) {
		text += "; the lot was to be ready about " + clock(w.ReadyAt, now)
	}
	return text
}

// list has a line for each of several alerts.
func list(alerts []ledger.Alert) string {
	var t strings.Builder
	fmt.Fprintf(&t, "All %d alerts:\n", len(alerts))
	if n := len(alerts) - mostLines; n > 0 {
		fmt.Fprintf(&t, "(%d earlier ones are left out)\n", n)
		alerts = alerts[n:]
	}
	for _, a := range alerts {
		fmt.Fprintf(&t, "%s %s: %s\n", a.Stamp.At.Local().Format("2 Jan 15:04"), kindOf(a).verb, shorten(a.Text, 120))
	}
	return t.String()
}

// links are the last lines of a text.
func (m *Message) links() string {
	text := ""
	if m.Visit != "" {
		text += "Record the visit: " + m.Visit + "\n"
	}
	if m.Coming != "" {
		text += "I am coming: " + m.Coming + "\n"
	}
	return text
}

// fit is the text in so many characters at most; the links stay whole.
func (m *Message) fit(most int) string {
	body, links := []rune(m.Body), m.links()
	if room := most - len([]rune(links)); len(body) > room {
		body = append(body[:max(0, room-2)], '…', '\n')
	}
	return string(body) + links
}

// inWords is a time of minutes.
func inWords(d time.Duration) string {
	return fmt.Sprintf("%d min", int(d.Round(time.Minute)/time.Minute))
}

// clock is a point in time as people near the machine say it, with the day where it is not today.
func clock(at, now time.Time) string {
	switch {
	case at.IsZero():
		return ""
	case at.Local().Format(time.DateOnly) == now.Local().Format(time.DateOnly):
		return at.Local().Format("15:04")
	}
	return at.Local().Format("2 Jan 15:04")
}

// line makes one line of a text, without what a screen could take for orders.
func line(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
	return strings.Join(strings.Fields(s), " ")
}

// shorten cuts a text at so many characters.
func shorten(s string, most int) string {
	r := []rune(line(s))
	if len(r) <= most {
		return string(r)
	}
	return strings.TrimRight(string(r[:most-1]), " ") + "…"
}

// read takes from an alert's payload what goes into the text.
func (w *Writer) read(a ledger.Alert) supervisor.AlertBody {
	var b supervisor.AlertBody
	if err := json.Unmarshal(a.Payload, &b); err != nil {
		b = supervisor.AlertBody{} // an alert without figures is sent without them
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
	if m.Visit != "" {
		all["visit_url"] = m.Visit
	}
	if m.Coming != "" {
		all["coming_url"] = m.Coming
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
