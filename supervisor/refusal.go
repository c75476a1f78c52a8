package supervisor

import "strings"

// Refusal is a request that cannot be carried out now, with what would help.
type Refusal struct {
	What   string // the request in words
	Why    string
	Remedy string
}

// Error implements error.
func (r *Refusal) Error() string {
	text := "cannot " + r.What + ": " + r.Why
	if r.Remedy != "" {
		text += "; " + r.Remedy
	}
	return text
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
	remedy := "correct it and record it again"
	if odd {
		remedy = "look again, and record it with --sure if it is so"
	}
	return &VisitRefusal{Refusal{what, inWords(faults), remedy}, faults, odd}
}

// inWords tells all faults in one line.
func inWords(faults []Fault) string {
	texts := make([]string, len(faults))
	for i, f := range faults {
		texts[i] = f.Text
	}
	return strings.Join(texts, "; ")
}
