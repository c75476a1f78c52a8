package supervisor

import (
	"errors"
	"fmt"
	"strings"
)

// Refusal is a request that cannot be carried out now, with what would help.
type Refusal struct {
	What   string // the request in words
	Why    string
	Remedy string
	// Command is the command line for Remedy, if there is one. Pages and alerts leave it out: a
	// telephone has no command line.
	Command string
}

// Error implements error.
func (r *Refusal) Error() string {
	text := "cannot " + r.What + ": " + r.Why
	if help := r.Help(); help != "" {
		text += "; " + help
	}
	return text
}

// Help returns the remedy with its command line, for a terminal.
func (r *Refusal) Help() string {
	if r.Command == "" {
		return r.Remedy
	}
	return r.Remedy + ": " + r.Command
}

// withoutCommands formats an error for a page or a telephone.
func withoutCommands(err error) string {
	var r *Refusal
	if !errors.As(err, &r) {
		return err.Error()
	}
	plain := *r
	plain.Command = ""
	return plain.Error()
}

// Fault is what is wrong with one field of a visit, named as in its JSON; the field is empty for a
// conflict between several.
type Fault struct{ Field, Text string }

// VisitRefusal is a visit that was not recorded, with everything that is wrong with it.
type VisitRefusal struct {
	Refusal
	Faults []Fault
	// Unlikely: nothing is impossible, but something is unlikely; Visit.Sure confirms it.
	Unlikely bool
}

// Unwrap makes it a [Refusal] to errors.As.
func (r *VisitRefusal) Unwrap() error { return &r.Refusal }

// refuseVisit returns the refusal of a visit with these faults.
func refuseVisit(what string, faults []Fault, odd bool) error {
	r := Refusal{What: what, Why: joinFaults(faults), Remedy: "correct it and record it again"}
	if odd {
		r.Remedy, r.Command = "look again; if the values are right, confirm them", "--sure"
	}
	return &VisitRefusal{r, faults, odd}
}

// joinFaults formats all faults as one line.
func joinFaults(faults []Fault) string {
	texts := make([]string, len(faults))
	for i, f := range faults {
		texts[i] = f.Text
	}
	return strings.Join(texts, "; ")
}

// Cause is why the machine is in its state: a short code for metrics and alerts, and a text for the
// operator.
type Cause struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Codes of causes.
const (
	CauseOperator     = "operator"
	CauseFirstArticle = "first_article" // the first part of a job on this belt surface waits to be looked at
	CauseCheckParts   = "check_parts"   // so many parts since the last check
	CauseCheckTravel  = "check_travel"  // so much belt travel since the last check
	CauseCheckTime    = "check_time"    // so long since the last check
	CauseOffset       = "offset_limit"  // lateral offset at or near its limit
	CauseFilament     = "filament"      // the spool does not hold another part (starved)
	CauseBin          = "bin_full"      // the bin holds no more parts (blocked)
	CauseUnattended   = "unattended"    // a part would end outside the attended hours
	CauseDisk         = "disk_low"      // the ledger's disk has little room left
	CauseCare         = "care"          // something that the owner wants done is due
	CauseSize         = "part_size"     // measured lengths are out of control
	CauseLink         = "link"          // cable, port or board is gone
	CauseBoard        = "board"         // the board halted or restarted
	CauseHeat         = "heat"          // a temperature was not reached
	CauseHeatUnusual  = "heat_unusual"  // a heater behaves differently than before, and still within its limits
	CauseHeatOff      = "heat_off"      // the heaters are shown to be off
	CauseLedger       = "ledger"        // records cannot be stored
	CauseJob          = "job"           // the job file cannot be read as inspected
	CauseRestart      = "restart"       // the daemon restarted and found work unfinished
	CauseShutdown     = "shutdown"      // the daemon is ending
	CauseDone         = "done"          // the work is finished
	CauseVisit        = "visit_soon"    // a visit is approaching
	CauseAccess       = "access"        // somebody tries to get in
	CauseAutoResume   = "go_on"         // the machine resumes by itself after a fault
)

// plural formats a count with its noun.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
