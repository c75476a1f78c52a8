package alert

import (
	"strings"
	"time"
	"unicode"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// Lock screens show some forty characters of a first line.
const (
	mostSubject = 60
	mostMachine = 18
)

// headline is the matter in a few words.
func headline(a ledger.Alert) string {
	word := strings.ReplaceAll(a.Kind, "_", " ")
	if w, ok := headlines[a.Kind]; ok {
		word = w
	} else if n, ok := supervisor.NeedOf(a.Kind); ok {
		word = n.Headline
	}
	switch {
	case a.Kind == supervisor.CauseHeatUnusual || a.Kind == supervisor.CauseVisit || a.Kind == supervisor.CauseDone || a.Kind == testKind || a.Kind == daemonDown || a.Kind == supervisor.CauseAccess:
		return word
	case a.State == "":
		return word
	}
	return strings.ToUpper(a.State) + ": " + word
}

// headlines are the causes in few words that are no [supervisor.Need].
var headlines = map[string]string{
	supervisor.CauseOperator: "by hand",
	supervisor.CauseLink:     "board out of reach", supervisor.CauseBoard: "board halted", supervisor.CauseHeat: "heat",
	supervisor.CauseLedger: "cannot keep the count", supervisor.CauseJob: "job file changed", supervisor.CauseRestart: "work left unfinished",
	supervisor.CauseShutdown: "daemon ended", supervisor.CauseDone: "lot made", supervisor.CauseVisit: "needs you soon",
	supervisor.CauseHeatUnusual: "heater behaves unusually", supervisor.CauseHeatOff: "heaters shown to be off", supervisor.CauseAccess: "failed sign-in attempts",
	supervisor.CauseAutoResume: "resumes by itself", testKind: "test", daemonDown: "daemon not running",
}

// stateWord is the state that the machine was in.
func stateWord(a ledger.Alert) string {
	if a.State == "" {
		return strings.ReplaceAll(a.Kind, "_", " ")
	}
	return a.State
}

// moment is a point in time as people near the machine say it.
func moment(at time.Time) string {
	if at.IsZero() {
		return "now"
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
