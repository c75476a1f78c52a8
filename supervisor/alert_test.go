package supervisor

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// TestAlertsHoldNoCommandLine: an alert is read on a telephone, which has no command line. Its text
// describes what to do; the status at a terminal adds the command.
func TestAlertsHoldNoCommandLine(t *testing.T) {
	l, _ := killed(t)
	m, _ := restartOn(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	commands := 0
	look := func(when string) {
		for _, s := range States() {
			m.state = s
			m.out = Output{}
			m.alert(CauseOperator, "asked for")
			var body AlertBody
			if err := json.Unmarshal(m.out.Records[0].(ledger.AlertQueued).Alert.Payload, &body); err != nil {
				t.Fatal(err)
			}
			if strings.Contains(body.Advice, "beltwarden ") || strings.Contains(body.Advice, "--") {
				t.Errorf("%s, %s: a telephone shows %q", when, s, body.Advice)
			}
			a := m.advice()
			if a.text == "" && len(a.steps) > 0 || !strings.HasPrefix(a.String(), a.text) || !strings.HasSuffix(a.String(), strings.Join(a.steps, ", then ")) {
				t.Errorf("%s, %s: %+v", when, s, a)
			}
			if strings.Contains(a.String(), "beltwarden ") {
				commands++
			}
		}
	}
	look("unfinished")
	m.heatFault = "the nozzle does not heat"
	look("after a heat fault")
	m.heatFault, m.book.Hold = "", &book.Hold{Reason: CauseCheckParts}
	look("before a check")
	m.lot = nil
	look("without a lot")
	if commands < 20 {
		t.Errorf("the status names a command %d times", commands)
	}
}

// TestAPortsCommandStandsApart: pages, alerts and events show why a port cannot be opened and what to
// do; only the status at a terminal also has the command line.
func TestAPortsCommandStandsApart(t *testing.T) {
	l, _ := killed(t)
	m, _ := restartOn(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	m.state = Resetting
	m.out = Output{}
	m.linkFailed(&serialio.OpenError{Path: "/dev/x", Reason: serialio.OpenNotPermitted, Hint: "Let the user in.", Command: "usermod USER"})
	s := m.Snapshot(m.now)
	if want := "cannot open port /dev/x: no permission; let the user in"; s.Line.Problem != want || s.Line.Command != "usermod USER" {
		t.Errorf("problem %q, command %q", s.Line.Problem, s.Line.Command)
	}
	if want := "let the user in: usermod USER"; !strings.HasSuffix(s.Advice, want) {
		t.Errorf("the status of a terminal says %q", s.Advice)
	}
	for _, r := range m.out.Records {
		if e, is := r.(ledger.EventNoted); is && strings.Contains(e.Text, "usermod") {
			t.Errorf("an event shows %q", e.Text)
		}
	}
	m.retryLink(serialio.ErrSilent)
	if c := m.Snapshot(m.now).Line.Command; c != "" {
		t.Errorf("%q stays with another problem", c)
	}
}

// TestAnAlertCarriesTheFacts: whoever is called reads in the alert what is known at that moment: whether
// the mains must be cut, until when it stays warm, what waiting costs, what to bring, and the balance.
func TestAnAlertCarriesTheFacts(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts = 2
		x := newRun(t, testRig(), set)
		x.start()
		newest := func() (b AlertBody, steps []string) {
			t.Helper()
			alerts, err := x.ledger.PendingAlerts(t.Context(), "phone", time.Now(), 100)
			if err != nil || len(alerts) == 0 {
				t.Fatalf("nobody was called: %v", err)
			}
			if err := json.Unmarshal(alerts[len(alerts)-1].Payload, &b); err != nil {
				t.Fatal(err)
			}
			return b, strings.Split(b.Advice, "; ")
		}
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{5}, Start: true}})
		s := x.until(Held, 10*time.Hour)
		held, steps := newest()
		if off := held.Heat.OffAt.Sub(s.Since); held.Heat.Is != HeatOn || off != set.HeatersOffAfter || held.Heat.NozzleC == nil || *held.Heat.NozzleC < 140 {
			t.Errorf("held, and the heaters: %+v, off after %s", held.Heat, off)
		}
		if n, _ := NeedOf(CauseCheckParts); !slices.Equal(held.Bring, n.Bring) || len(steps) != 4 {
			t.Errorf("to bring %q, to do %q", held.Bring, steps)
		}
		if w := held.Waiting; w == nil || w.PartsPerHour < 0.5 || w.PartsPerHour > 60 || !w.ReadyAt.After(s.At) {
			t.Errorf("waiting costs %+v", w)
		}
		if got, want := held.Lot.Count(), s.Lot.Count(); got != want || got.NotLookedAt() != 2 {
			t.Errorf("the balance is %+v, want %+v", got, want)
		}
		x.do(Request{Visit: &Visit{OffsetMM: new(float64), Good: 2}})
		x.do(Request{Command: Unhold})
		x.until(Execute, time.Hour)
		time.Sleep(5 * time.Minute)
		x.rig.Unplug()
		x.until(Aborted, time.Hour)
		lost, steps := newest()
		if lost.Reason != CauseLink || lost.Heat.Is != HeatMayBeOn || lost.Waiting == nil || !strings.HasPrefix(steps[0], mainsAdvice) {
			t.Errorf("the cable is out: %+v, to do %q", lost, steps)
		}
		x.hot = true
	})
}

// TestAnAlertThatSaysToCutTheMainsIsDanger: a board that resets while a part cools had taken the words
// that switch its heaters off. It is out of reach all the same, and what a text asks for its facts say.
func TestAnAlertThatSaysToCutTheMainsIsDanger(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{5}, Start: true}})
		x.untilDoing("cooling until the part lets go")
		time.Sleep(10 * time.Second)
		x.rig.Reset()
		x.until(Aborted, time.Hour)
		alerts, err := x.ledger.PendingAlerts(t.Context(), "phone", time.Now(), 100)
		if err != nil {
			t.Fatal(err)
		}
		said := 0
		for _, a := range alerts {
			var b AlertBody
			if err := json.Unmarshal(a.Payload, &b); err != nil {
				t.Fatal(err)
			}
			if strings.Contains(a.Text, "cut the mains") {
				if said++; b.Heat.Is != HeatMayBeOn || !strings.HasPrefix(b.Advice, mainsAdvice) {
					t.Errorf("%q: the heaters are %q, to do %q", a.Text, b.Heat.Is, b.Advice)
				}
			}
		}
		if said == 0 {
			t.Error("no alert asks for the mains")
		}
		x.hot = true
	})
}
