package alert

import (
	"encoding/json"

	"beltwarden/supervisor"
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

// kind is what every alert of a kind has in common.
type kind struct {
	verb    string // what to do, or what has come about, in a few words: the first of a subject
	matter  string // in a few words; "" where the verb says it all
	urgency Urgency
	waits   bool // the machine makes nothing until somebody comes, and that costs parts
}

// kinds are all alerts, by the code of their cause.
var kinds = map[string]kind{
	supervisor.CauseFirstArticle: {"Look at the first part", "", Hold, true},
	supervisor.CauseCheckParts:   {"Check due", "", Hold, true},
	supervisor.CauseCheckTravel:  {"Check due", "", Hold, true},
	supervisor.CauseCheckTime:    {"Check due", "", Hold, true},
	supervisor.CauseSize:         {"Measure parts", "lengths out of control", Hold, true},
	supervisor.CauseOffset:       {"Realign the belt", "near its limit", Hold, true},
	supervisor.CauseFilament:     {"Bring a spool", "spool runs out", Hold, true},
	supervisor.CauseBin:          {"Empty the bin", "bin full", Hold, true},
	supervisor.CauseCare:         {"Care due", "", Hold, true},
	supervisor.CauseUnattended:   {"Waits for attended hours", "", Hold, true},
	supervisor.CauseDisk:         {"Make room on the disk", "nearly full", Hold, true},
	supervisor.CauseOperator:     {"Held by hand", "", Hold, true},
	supervisor.CauseJob:          {"Check the job file", "it has changed", Hold, true},
	supervisor.CauseLink:         {"Check cable and power", "board lost", Urgent, true},
	supervisor.CauseBoard:        {"Come now", "board halted or reset", Urgent, true},
	supervisor.CauseHeat:         {"Come now", "heat fault", Urgent, true},
	supervisor.CauseLedger:       {"Come now", "cannot keep the count", Urgent, true},
	supervisor.CauseRestart:      {"Come now", "daemon restarted in a part", Urgent, true},
	supervisor.CauseShutdown:     {"Start the daemon again", "it ended in a part", Urgent, true},
	supervisor.CauseAutoResume:   {"KEEP HANDS OFF", "it resumes by itself", Urgent, false},
	supervisor.CauseAccess:       {"Look who signs in", "many wrong secrets", Urgent, false},
	supervisor.CauseHeatOff:      {"Heaters are off", "come when you can", Urgent, true},
	supervisor.CauseHeatUnusual:  {"Watch the heater", "not as usual", Notice, false},
	supervisor.CauseDone:         {"Lot done", "", Notice, false},
	supervisor.CauseVisit:        {"Come soon", "", Notice, false},
	daemonDown:                   {"Go to the machine", "daemon not running", Urgent, false},
	testKind:                     {"Test", "you are called here", Hold, false},
}

// cutMains comes before whatever the kind is.
const cutMains = "CUT THE MAINS"

// kindOf returns what there is to say about an alert; of a code that an older ledger holds, at least
// that somebody should look.
func kindOf(a ledger.Alert) kind {
	k, ok := kinds[a.Kind]
	if !ok {
		k = kind{"Look at the machine", "", Hold, false}
	}
	switch faulted := a.State == supervisor.Aborting.String() || a.State == supervisor.Aborted.String(); {
	case faulted && a.Kind == supervisor.CauseOperator: // somebody stands there
		k.verb = "Aborted by hand"
	case faulted:
		k.urgency = Urgent
	case a.Kind == supervisor.CauseHeat:
		k.matter = "look at its heaters"
	}
	if k.urgency < Urgent && heatOf(a).Is == supervisor.HeatMayBeOn {
		k.urgency = Urgent
	}
	return k
}

// UrgencyOf judges an alert by its kind, and by what is known of the heaters.
func UrgencyOf(a ledger.Alert) Urgency { return kindOf(a).urgency }

// heatOf is what an alert says of the heaters.
func heatOf(a ledger.Alert) supervisor.AlertHeat {
	var b struct {
		Heat supervisor.AlertHeat `json:"heat"`
	}
	if json.Unmarshal(a.Payload, &b) != nil {
		return supervisor.AlertHeat{} // an alert without figures
	}
	return b.Heat
}
