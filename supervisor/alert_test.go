package supervisor

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// TestAlertsHoldNoCommandLine: an alert is read on a telephone, which has no command line. Its text
// describes what to do; the status at a terminal adds the command.
func TestAlertsHoldNoCommandLine(t *testing.T) {
	l, _ := killed(t)
	m, _ := takeUp(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	commands := 0
	look := func(when string) {
		for _, s := range States() {
			m.state = s
			m.out = Output{}
			m.alert(CauseOperator, "asked for")
			var body alertBody
			if err := json.Unmarshal(m.out.Records[0].(ledger.AlertQueued).Alert.Payload, &body); err != nil {
				t.Fatal(err)
			}
			if strings.Contains(body.Advice, "beltwarden ") || strings.Contains(body.Advice, "--") {
				t.Errorf("%s, %s: a telephone shows %q", when, s, body.Advice)
			}
			a := m.advice()
			if a.text == "" && a.command != "" || !strings.HasPrefix(a.String(), a.text) || !strings.HasSuffix(a.String(), a.command) {
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
	m, _ := takeUp(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
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
