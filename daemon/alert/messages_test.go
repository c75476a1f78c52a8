package alert

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"mime"
	"mime/quotedprintable"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// examples is where the messages of every kind are kept as they arrive; UPDATE=1 writes them anew.
const examples = "../../testdata/messages"

// night is when the examples are sent.
var night = time.Date(2026, time.March, 10, 2, 32, 0, 0, time.UTC)

// example is an alert as the run raises it, with the texts that it has there.
type example struct {
	state  supervisor.State
	text   string
	heat   supervisor.AlertHeat
	visit  string // reason of the visit that approaches
	advice string
}

func read150() supervisor.AlertHeat { return degrees(supervisor.HeatOn, 150, 60) }

func degrees(is string, nozzle, bed float64) supervisor.AlertHeat {
	h := supervisor.AlertHeat{Is: is, NozzleC: &nozzle, BedC: &bed}
	if is == supervisor.HeatOn && nozzle == 150 { // standby of a hold
		h.OffAt = night.Add(15 * time.Minute)
	}
	return h
}

// alertExamples has one of every kind.
func alertExamples() map[string]example {
	const (
		look   = "read the lateral offset; look at the parts; record the visit; let it go on"
		supply = "; then let it go on"
		wait   = "keep hands off hot and moving parts; go to the machine; wait for the message that says whether the heaters are off"
		fault  = "keep hands off hot and moving parts; look at the machine; clear the belt; decide whether the interrupted part is good or scrap; record the visit; then clear the fault, reset and start"
		mains  = "switch the machine off at the mains if that is safe; keep hands off hot and moving parts; "
	)
	making, off, going := degrees(supervisor.HeatOn, 205, 60), degrees(supervisor.HeatOff, 96, 48), degrees(supervisor.HeatGoingOff, 205, 60)
	remedy := func(kind string) string {
		n, _ := supervisor.NeedOf(kind)
		return n.Remedy + supply
	}
	return map[string]example{
		supervisor.CauseFirstArticle: {supervisor.Held, "part 1 is the first of stake-clip on this surface", read150(), "", "look at the part; record the visit; let it go on"},
		supervisor.CauseCheckParts:   {supervisor.Held, "5 parts since the last check; one is due every 5", read150(), "", look},
		supervisor.CauseCheckTravel:  {supervisor.Held, "10.1 m of belt travel since the last check; one is due every 10.0 m", read150(), "", look},
		supervisor.CauseCheckTime:    {supervisor.Held, "4h0m0s since the last check; one is due every 4h0m0s", read150(), "", look},
		supervisor.CauseSize:         {supervisor.Held, "length 7 is beyond the control limits: 60.41 mm, limits 59.71 to 60.29 mm", read150(), "", look},
		supervisor.CauseOffset:       {supervisor.Held, "the offset was +3.2 mm at the last check; the limit is 3.0 mm", read150(), "", "realign the belt; record the visit; let it go on"},
		supervisor.CauseFilament:     {supervisor.Suspended, "the spool has 3 g left, as calculated since it was weighed; a part takes 4.1 g", read150(), "", remedy(supervisor.CauseFilament)},
		supervisor.CauseBin:          {supervisor.Suspended, "the bin has taken 40 parts since it was emptied; it holds 40", read150(), "", remedy(supervisor.CauseBin)},
		supervisor.CauseCare:         {supervisor.Suspended, "clean the nozzle: due every 200 parts, last done 200 parts ago", read150(), "", remedy(supervisor.CauseCare)},
		supervisor.CauseUnattended:   {supervisor.Suspended, "a part takes 12m0s and would end outside attended hours (07:00-19:00)", read150(), "", remedy(supervisor.CauseUnattended)},
		supervisor.CauseDisk:         {supervisor.Suspended, "the ledger's disk has 41 MB left, and 50 MB are kept free", read150(), "", remedy(supervisor.CauseDisk)},
		supervisor.CauseOperator:     {supervisor.Held, "hold by Ada", read150(), "", "let it go on"},
		supervisor.CauseJob:          {supervisor.Held, "the job file stake-clip.gcode is not as it was inspected", read150(), "", "restore the file as it was, or end the lot"},
		supervisor.CauseLink: {supervisor.Aborting, "the board is out of reach, and its heaters (last read: nozzle 205 °C, bed 60 °C) may be on: cut the mains; cannot read the port: device is gone",
			degrees(supervisor.HeatMayBeOn, 205, 60), "", mains + "stay until it has cooled"},
		supervisor.CauseBoard: {supervisor.Aborting, "heaters are being switched off (last read: nozzle 205 °C, bed 60 °C); whether they are off follows: the board has restarted", going, "", wait},
		supervisor.CauseHeat: {supervisor.Aborted, "the heaters are NOT shown to be off: nozzle still reads 205 °C after 3m0s; switch the machine off at the mains",
			degrees(supervisor.HeatMayBeOn, 205, 60), "", mains + "look at the machine"},
		supervisor.CauseLedger: {supervisor.Aborting, "heaters are being switched off (last read: nozzle 205 °C, bed 60 °C); whether they are off follows: records cannot be kept: disk full", going, "", wait},
		supervisor.CauseRestart: {supervisor.Aborting, "the heaters may be on until the board answers: the daemon restarted and found part 6 unfinished",
			supervisor.AlertHeat{Is: supervisor.HeatUnknown}, "", wait},
		supervisor.CauseShutdown: {supervisor.Aborted, "the daemon is ending; the heaters are shown to be off: nozzle fell from 205 to 96 °C", off, "", fault},
		supervisor.CauseAutoResume: {supervisor.Aborted, "keep hands off: the machine resumes by itself at 02:42:00, in 10m0s, unless somebody sends a command or acknowledges this alert", off, "",
			"keep hands off; to stop it from resuming by itself, acknowledge this alert"},
		supervisor.CauseAccess:      {supervisor.Execute, "10 failed sign-in attempts from 203.0.113.9; more from there are refused for a while", supervisor.AlertHeat{}, "", "ask your people whether it was one of them; if not, find out who is on the network; make a new secret"},
		supervisor.CauseHeatOff:     {supervisor.Aborted, "the heaters are shown to be off: nozzle fell from 205 to 96 °C, bed fell from 60 to 48 °C", off, "", fault},
		supervisor.CauseHeatUnusual: {supervisor.Execute, "the nozzle takes 94 s to warm up; it took 61 s the last times", making, "", "at the next visit look at the heater, its sensor and their wiring"},
		supervisor.CauseDone:        {supervisor.Complete, "lot 7 (plant-stake clips), 41 made: 30 good, 10 not looked at, 1 scrap; 40 ordered", degrees(supervisor.HeatGoingOff, 180, 60), "", "take out the parts; count them; record the visit"},
		supervisor.CauseVisit: {supervisor.Execute, "a visit is due about 03:02, in 30 minutes: 2 parts since the last check; one is due every 5", making, supervisor.CauseCheckParts,
			"read the lateral offset and look at the parts; record the visit"},
		daemonDown: {-1, "the service beltwarden has failed and is not started again: look at the machine", supervisor.AlertHeat{}, "", ""},
		testKind:   {-1, "this is a test: if you read it, you are called when the machine needs somebody", supervisor.AlertHeat{}, "", ""},
	}
}

// exampleAlert is the alert of an example as the ledger holds it.
func exampleAlert(t *testing.T, kind string, e example) ledger.Alert {
	t.Helper()
	a := ledger.Alert{ID: "start-1", Kind: kind, Reason: kind, Text: e.text, Stamp: ledger.Stamp{Seq: 12, At: night}}
	if e.state < 0 { // not of the run, and not in the ledger
		a.Stamp.Seq = 0
		return a
	}
	a.State = e.state.String()
	n, _ := supervisor.NeedOf(kind)
	b := supervisor.AlertBody{ID: a.ID, Machine: "clip press", State: a.State, Reason: kind, Text: e.text, Heat: e.heat, Bring: n.Bring, Advice: e.advice, TravelMM: 25200.4}
	if kind != supervisor.CauseAccess {
		b.Lot = &supervisor.AlertLot{ID: 7, Name: "plant-stake clips", Ordered: 40, Made: 14, Good: 8, Scrap: 1, Unverified: 5}
		b.Waiting = &supervisor.AlertWaiting{PartsPerHour: 4.8}
	}
	switch e.state {
	case supervisor.Held, supervisor.Suspended:
		b.Waiting.ReadyAt = night.Add(6 * time.Hour)
	case supervisor.Complete:
		b.Lot.Made, b.Lot.Good, b.Lot.Unverified, b.Waiting = 41, 30, 10, nil
	case supervisor.Aborted:
		b.Lot.Interrupted = 1
	}
	if e.visit != "" {
		n, _ := supervisor.NeedOf(e.visit)
		b.Bring, b.Visit = n.Bring, &supervisor.AlertVisit{At: night.Add(30 * time.Minute), Reason: e.visit}
	}
	var err error
	if a.Payload, err = json.Marshal(b); err != nil {
		t.Fatal(err)
	}
	return a
}

func exampleWriter() *Writer {
	return &Writer{Machine: "clip press", VisitURL: "https://belt.workshop.example/visit",
		ComingURL: func(alert, receiver string) string {
			return "https://belt.workshop.example/coming/signed-for-" + alert + "-to-" + receiver
		}}
}

// matchesExample compares what was received with what is kept in the repository.
func matchesExample(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join(examples, name+".txt")
	if os.Getenv("UPDATE") != "" {
		if err := os.MkdirAll(examples, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v; write it with: UPDATE=1 go test ./daemon/alert", err)
	}
	if got != string(want) {
		t.Errorf("%s holds another message; if the new one is meant: UPDATE=1 go test ./daemon/alert. It is:\n%s", file, got)
	}
}

// TestMessagesOfEveryKind sends an alert of every kind to a mail server and a webhook of our own. What
// they receive is kept as examples, and reads as somebody needs it who was woken.
func TestMessagesOfEveryKind(t *testing.T) {
	var posted []byte
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { posted, _ = io.ReadAll(r.Body) }))
	defer hook.Close()
	web, err := NewWebhook(WebhookOptions{Name: "workshop", URL: hook.URL})
	if err != nil {
		t.Fatal(err)
	}
	defer web.Close()
	server := newMailServer(t, nil)
	post := mailTo(t, server, func(o *MailOptions) { o.Name, o.To = "foreman", []string{"ada@workshop.example"} })
	words, list := exampleWriter(), alertExamples()
	page, err := os.ReadFile("../../docs/alerts.md")
	if err != nil {
		t.Fatal(err)
	}
	order := []string{"What", "Where", "How urgent", "Since", "Heaters", "Waiting costs", "Bring", "Count", "What to do", "Record the visit", "I am coming"}
	label := regexp.MustCompile(`(?m)^([A-Z][A-Za-z ]*):`)
	code := regexp.MustCompile(`[a-z0-9]_[a-z0-9]|start-1`)
	for kind := range kinds {
		e, ok := list[kind]
		if !ok {
			t.Errorf("%s has no example", kind)
			continue
		}
		t.Run(kind, func(t *testing.T) {
			a := exampleAlert(t, kind, e)
			m := words.Several(Call{Receiver: post.Name(), Now: night.Add(2 * time.Second)}, a)
			if err := post.Notify(t.Context(), m); err != nil {
				t.Fatal(err)
			}
			if err := web.Notify(t.Context(), words.Several(Call{Receiver: web.Name(), Now: night.Add(2 * time.Second)}, a)); err != nil {
				t.Fatal(err)
			}
			mails := server.got()
			subject, text := letterOf(t, mails[len(mails)-1])
			var pretty bytes.Buffer
			if err := json.Indent(&pretty, posted, "", "  "); err != nil {
				t.Fatal(err)
			}
			matchesExample(t, kind, "A mail, decoded:\n\nSubject: "+subject+"\n\n"+text+"\nThe body of a webhook:\n\n"+pretty.String()+"\n")
			if !strings.Contains(string(page), "](../testdata/messages/"+kind+".txt)") {
				t.Errorf("docs/alerts.md does not lead to the example of %s", kind)
			}

			verb, _, _ := strings.Cut(subject, ",")
			if n := len([]rune(subject)); n > mostSubject || len([]rune(verb)) > 30 || !strings.HasPrefix(subject, verb+", clip press") {
				t.Errorf("the subject has %d characters: %q", n, subject)
			}
			if danger := e.heat.Is == supervisor.HeatMayBeOn; danger != (verb == cutMains) || danger && m.Urgency != Urgent {
				t.Errorf("the heaters are %q, and the message begins %q, %s", e.heat.Is, verb, m.Urgency)
			}
			for what, s := range map[string]string{"subject": subject, "text": text} {
				if strings.Contains(s, "beltwarden ") && !strings.Contains(s, "service beltwarden has failed") || strings.Contains(s, "--") {
					t.Errorf("the %s holds a command line: %s", what, s)
				}
				if what == "subject" && code.MatchString(s) {
					t.Errorf("the subject holds a code: %s", s)
				}
			}
			at := -1
			for _, l := range label.FindAllStringSubmatch(text, -1) {
				if i := slices.Index(order, l[1]); i <= at {
					t.Errorf("%q is not where it belongs:\n%s", l[1], text)
				} else {
					at = i
				}
			}
			for _, want := range []string{"What", "Where", "Since"} {
				if !strings.Contains(text, want+": ") {
					t.Errorf("no line %q in\n%s", want, text)
				}
			}
			if inLedger := a.Stamp.Seq > 0; inLedger != strings.Contains(text, "\nI am coming: https://") || inLedger != (kinds[kind].urgency != Hold || kinds[kind].waits) && kind != daemonDown {
				t.Errorf("the link that acknowledges:\n%s", text)
			}
			if costs := strings.Contains(text, "parts an hour are not made"); costs != kinds[kind].waits {
				t.Errorf("what waiting costs is said: %v, and it costs parts: %v", costs, kinds[kind].waits)
			}
		})
	}
	files, err := filepath.Glob(filepath.Join(examples, "*.txt"))
	if err != nil || len(files) < len(kinds) {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".txt")
		_, kind := kinds[name]
		if _, service := receivers[strings.TrimPrefix(name, "service-")]; !kind && !service {
			t.Errorf("%s is of no kind that there is", f)
		}
	}
}

// letterOf decodes a mail as the server received it.
func letterOf(t *testing.T, raw string) (subject, text string) {
	t.Helper()
	_, raw, _ = strings.Cut(raw, "\n\n")
	letter, err := mail.ReadMessage(strings.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	subject, err = new(mime.WordDecoder).DecodeHeader(letter.Header.Get("Subject"))
	if err != nil {
		t.Fatal(err)
	}
	var in io.Reader = letter.Body
	if strings.EqualFold(letter.Header.Get("Content-Transfer-Encoding"), "quoted-printable") {
		in = quotedprintable.NewReader(in)
	}
	body, err := io.ReadAll(in)
	if err != nil {
		t.Fatal(err)
	}
	return subject, strings.ReplaceAll(string(body), "\r\n", "\n")
}

// TestMessagesOfEveryService keeps one alert as each chat and push service receives it.
func TestMessagesOfEveryService(t *testing.T) {
	e := alertExamples()[supervisor.CauseLink]
	page, err := os.ReadFile("../../docs/alerts.md")
	if err != nil {
		t.Fatal(err)
	}
	for kind, r := range receivers {
		t.Run(kind, func(t *testing.T) {
			d := newDesk(t)
			d.answer = r.answer
			s, err := NewService(ServiceOptions{Name: "phone", URL: r.address, Timeout: patience})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			m := exampleWriter().Several(Call{Receiver: "phone", Now: night.Add(2 * time.Second)}, exampleAlert(t, supervisor.CauseLink, e))
			if err := s.Notify(t.Context(), m); err != nil {
				t.Fatal(err)
			}
			lines := strings.Split(strings.TrimSpace(d.came[len(d.came)-1]), "\n")
			var fields []string // a field goes on over lines without a name
			for _, l := range lines {
				if strings.HasPrefix(l, "Accept-Encoding=") || strings.HasPrefix(l, "Content-Length=") || strings.HasPrefix(l, "User-Agent=") {
					continue
				}
				if name, _, ok := strings.Cut(l, "="); len(fields) > 0 && (!ok || strings.Contains(name, " ")) {
					fields[len(fields)-1] += "\n" + l
					continue
				}
				fields = append(fields, l)
			}
			slices.Sort(fields)
			if !strings.Contains(string(page), "](../testdata/messages/service-"+kind+".txt)") {
				t.Errorf("docs/alerts.md does not lead to the example of %s", kind)
			}
			matchesExample(t, "service-"+kind, fmt.Sprintf("What %s receives, field by field:\n\n%s\n", kind, steady(strings.Join(fields, "\n"))))
		})
	}
}

// steady replaces what differs from time to time.
func steady(s string) string {
	s = regexp.MustCompile(`\d{4}-\d\d-\d\dT[0-9:.]+(Z|[+-]\d\d:\d\d)`).ReplaceAllString(s, "2026-03-10T02:32:02Z")
	return regexp.MustCompile(`(?i)(txn|guid|nonce|ts|timestamp)=.*`).ReplaceAllString(s, "$1=...")
}

// TestEveryCauseHasItsWords: a cause of the run that is not in the table would call people without a verb.
func TestEveryCauseHasItsWords(t *testing.T) {
	source, err := os.ReadFile("../../supervisor/refusal.go")
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^\tCause[A-Za-z]+\s*= "([a-z_]+)"`).FindAllStringSubmatch(string(source), -1) {
		found[m[1]] = true
	}
	if len(found) < 20 {
		t.Fatalf("%d causes were found", len(found))
	}
	for _, n := range supervisor.Needs() {
		found[n.Code] = true
	}
	for code := range found {
		if k, ok := kinds[code]; !ok || k.verb == "" {
			t.Errorf("%s has no words", code)
		}
	}
	for _, code := range slices.Sorted(maps.Keys(kinds)) {
		if !found[code] && code != testKind && code != daemonDown {
			t.Errorf("%s is no cause", code)
		}
	}
}

// TestAFaultAndItsEndReadAsOneStory: the messages of a fault that follow one another begin with what
// matters at each, and only the danger shouts.
func TestAFaultAndItsEndReadAsOneStory(t *testing.T) {
	list, words := alertExamples(), exampleWriter()
	for kind, want := range map[string]string{
		supervisor.CauseBoard:   "Come now, clip press: board halted or reset",
		supervisor.CauseLink:    "CUT THE MAINS, clip press: board lost, heaters were at 205 °C",
		supervisor.CauseHeatOff: "Heaters are off, clip press: come when you can",
	} {
		if _, got := words.Subject(exampleAlert(t, kind, list[kind])); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	// An operator's own abort wakes nobody, unless it leaves heaters in doubt.
	own := example{supervisor.Aborted, "abort by Ada", degrees(supervisor.HeatGoingOff, 205, 60), "", ""}
	if a := exampleAlert(t, supervisor.CauseOperator, own); UrgencyOf(a) != Hold {
		t.Errorf("an abort by hand is %s", UrgencyOf(a))
	}
	own.heat.Is = supervisor.HeatMayBeOn
	if a := exampleAlert(t, supervisor.CauseOperator, own); UrgencyOf(a) != Urgent {
		t.Errorf("an abort by hand with heaters in doubt is %s", UrgencyOf(a))
	}
	// What lay in the future when it was raised is past when somebody else is called.
	a := exampleAlert(t, supervisor.CauseCheckParts, list[supervisor.CauseCheckParts])
	late := words.Several(Call{Receiver: "foreman", Now: night.Add(30 * time.Minute), Patience: 30 * time.Minute}, a)
	if !strings.HasPrefix(late.Text, "Nobody has acted on this for 30 min, so you are called too.\n") || !strings.Contains(late.Text, "Heaters: were to go off by themselves at 02:47") {
		t.Errorf("half an hour later:\n%s", late.Text)
	}
}
