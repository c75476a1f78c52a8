package supervisor

import (
	"errors"
	"strings"
)

// Refusal is a request that cannot be carried out now, with what would help.
type Refusal struct {
	What   string // the request in words
	Why    string
	Remedy string
	// Command is the command line that does what Remedy says, where there is one. Pages and
	// alerts leave it out: a telephone has no command line.
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

// Help is the remedy with its command line, for a terminal.
func (r *Refusal) Help() string {
	if r.Command == "" {
		return r.Remedy
	}
	return r.Remedy + ": " + r.Command
}

// withoutCommands words an error for a page or a telephone.
func withoutCommands(err error) string {
	var r *Refusal
	if !errors.As(err, &r) {
		return err.Error()
	}
	plain := *r
	plain.Command = ""
	return plain.Error()
}

// Fault is what is wrong with one field of a visit, named as in its JSON; the field is
// empty where several do not go together.
type Fault struct{ Field, Text string }

// VisitRefusal is a visit that was not recorded, with everything that is wrong with it.
type VisitRefusal struct {
	Refusal
	Faults []Fault
	// Odd: nothing is impossible, but something is unlikely; Visit.Sure says that it is so.
	Odd bool
}

// Unwrap makes it a [Refusal] to errors.As.
func (r *VisitRefusal) Unwrap() error { return &r.Refusal }

// refuseVisit words the faults of a visit.
func refuseVisit(what string, faults []Fault, odd bool) error {
	r := Refusal{What: what, Why: inWords(faults), Remedy: "correct it and record it again"}
	if odd {
		r.Remedy, r.Command = "look again; if the values are right, confirm them", "--sure"
	}
	return &VisitRefusal{r, faults, odd}
}

// inWords tells all faults in one line.
func inWords(faults []Fault) string {
	texts := make([]string, len(faults))
	for i, f := range faults {
		texts[i] = f.Text
	}
	return strings.Join(texts, "; ")
}
