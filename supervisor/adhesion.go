package supervisor

import (
	"slices"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// What a surface is said to hold: parts that stay on it with at least this probability,
// with this confidence.
const (
	holdProbability = 0.95
	holdConfidence  = 0.95
)

// Adhesion is how long parts have stayed on the belt's present surface. It rests on parts that
// a check has looked at; the times of cycles count heating within them.
type Adhesion struct {
	Surface string    `json:"surface,omitempty"` // what was done to it; empty: nothing since the ledger began
	Since   time.Time `json:"since,omitzero"`
	Made    int       `json:"made"` // parts made on it
	Held    int       `json:"held"` // seen to have stayed
	// Detached parts came off, UnknownWhen of them at a time that nobody told.
	Detached    int `json:"detached"`
	UnknownWhen int `json:"detached_unknown_when"`
	// Longest is the longest that a part of a lot with good parts has stayed; Earliest when
	// the first came off whose time was told; HoldsFor the time for which it holds 95 of 100
	// parts, with 95 % certainty, 0 when that is shown for no time.
	Longest  time.Duration `json:"longest_ns"`
	Earliest time.Duration `json:"earliest_detached_ns"`
	HoldsFor time.Duration `json:"holds_for_ns"`
	// Steps are the fraction of parts still holding, by time (Kaplan-Meier). A part whose time
	// nobody told counts as off from the begin: it came off within its cycle, and no later time
	// is known (an interval-censored time, at its worst end; Turnbull 1976).
	Steps []quality.Survival `json:"steps,omitempty"`
}

// ForJob is what an inspection judges a cycle by.
func (a Adhesion) ForJob() job.Adhesion {
	return job.Adhesion{Longest: a.Longest, Seen: a.Held + a.Detached, Detached: a.Detached, Untold: a.UnknownWhen > 0, Earliest: a.Earliest, HoldsFor: a.HoldsFor}
}

// adhesionOf reckons it from what was done to the surface last, nil for nothing, and the parts since.
func adhesionOf(surface *ledger.SurfaceRenewed, stays []ledger.Stay) (a Adhesion, err error) {
	if surface != nil {
		a.Surface, a.Since = surface.How, surface.Stamp.At
	}
	var parts []quality.Held
	for _, s := range stays {
		parts = append(parts, a.take(s)...)
	}
	if a.Steps, err = quality.Survivals(parts, holdConfidence); err != nil {
		return Adhesion{}, err
	}
	a.HoldsFor, err = quality.HoldOn(parts, holdProbability, holdConfidence)
	return a, err
}

// take adds the parts of one job. Which of them a check has counted is not recorded: they
// are taken for the first made, and of those that came off for the longest.
func (a *Adhesion) take(s ledger.Stay) (parts []quality.Held) {
	a.Made += len(s.Cycles)
	a.Detached += s.Detached
	a.UnknownWhen += s.Detached - len(s.After)
	// The first counted are those that were waiting to be when the surface was made anew.
	looked := min(len(s.Cycles), max(0, s.Good+s.Scrap+s.Detached-max(0, s.Backlog)))
	stayed := slices.Sorted(slices.Values(s.Cycles[:looked]))
	stayed = stayed[:max(0, looked-s.Detached)]
	for _, d := range stayed {
		if d <= 0 { // how long it took is not known
			continue
		}
		parts = append(parts, quality.Held{For: d})
		a.Held++
		if s.Good > 0 {
			a.Longest = max(a.Longest, d)
		}
	}
	for range s.Detached - len(s.After) {
		parts = append(parts, quality.Held{Detached: true})
	}
	for _, d := range s.After {
		parts = append(parts, quality.Held{For: d, Detached: true})
		if a.Earliest == 0 || d < a.Earliest {
			a.Earliest = d
		}
	}
	return parts
}
