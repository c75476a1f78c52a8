package supervisor

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/ledger"
)

// TestAlertsHoldNoCommandLine: an alert is read on a telephone, which has no command line. It
// says what to do in words; the status at a terminal adds the command.
func TestAlertsHoldNoCommandLine(t *testing.T) {
	l, _ := killed(t)
	m, _ := takeUp(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	commands := 0
	look := func(when string) {
		for _, s := range States() {
			m.state = s
			var out Output
			m.alert(&out, CauseOperator, "asked for")
			var body alertBody
			if err := json.Unmarshal(out.Records[0].(ledger.AlertQueued).Alert.Payload, &body); err != nil {
				t.Fatal(err)
			}
			if strings.Contains(body.Advice, "beltwarden ") || strings.Contains(body.Advice, "--") {
				t.Errorf("%s, %s: a telephone shows %q", when, s, body.Advice)
			}
			a := m.advice()
			if a.what == "" && a.command != "" || !strings.HasPrefix(a.String(), a.what) || !strings.HasSuffix(a.String(), a.command) {
				t.Errorf("%s, %s: %+v", when, s, a)
			}
			if strings.Contains(a.String(), "beltwarden ") {
				commands++
			}
		}
	}
	look("unfinished")
	m.latched = "the nozzle does not heat"
	look("after a heat fault")
	m.latched, m.hold = "", &openHold{needsCheck: true}
	look("before a check")
	m.lot = nil
	look("without a lot")
	if commands < 20 {
		t.Errorf("the status names a command %d times", commands)
	}
}
