package supervisor

import (
	"slices"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// A surface is reported to hold parts for a time if they stay on it with at least this probability, at
// this confidence.
const (
	holdProbability = 0.95
	holdConfidence  = 0.95
)

// Adhesion is how long parts have stayed on the belt's present surface. It rests on parts that a check
// has looked at. Cycle times include the heating within them.
type Adhesion struct {
	Surface string    `json:"surface,omitempty"` // what was done to it; empty: nothing since the ledger began
	Since   time.Time `json:"since,omitzero"`
	Made    int       `json:"made"` // parts made on it
	Held    int       `json:"held"` // seen to have stayed
	// Detached parts came off, UnknownTimes of them at a time that was not reported.
	Detached     int `json:"detached"`
	UnknownTimes int `json:"detached_unknown_when"`
	// Longest is the longest time that a part of a lot with good parts has stayed. Earliest is when
	// the first part with a known time came off. HoldsFor is the time for which the surface holds 95
	// of 100 parts with 95 % certainty, 0 when no such time is shown.
	Longest  time.Duration `json:"longest_ns"`
	Earliest time.Duration `json:"earliest_detached_ns"`
	HoldsFor time.Duration `json:"holds_for_ns"`
	// Steps are the fraction of parts still holding, by time (Kaplan-Meier). A part with no reported
	// time counts as off from the beginning: it came off within its cycle, and no later time is known
	// (an interval-censored time, at its worst end; Turnbull 1976).
	Steps []quality.Survival `json:"steps,omitempty"`
}

// ForJob returns what an inspection judges a cycle by.
func (a Adhesion) ForJob() job.Adhesion {
	return job.Adhesion{Longest: a.Longest, LookedAt: a.Held + a.Detached, Detached: a.Detached, UnknownTime: a.UnknownTimes > 0, Earliest: a.Earliest, HoldsFor: a.HoldsFor}
}

// adhesionOf computes it from the last work on the surface, nil for none, and the parts since.
func adhesionOf(surface *ledger.SurfaceRenewed, stays []ledger.Stay) (a Adhesion, err error) {
	if surface != nil {
		a.Surface, a.Since = surface.How, surface.Stamp.At
	}
	var parts []quality.Held
	for _, s := range stays {
		parts = append(parts, a.add(s)...)
	}
	if a.Steps, err = quality.Survivals(parts, holdConfidence); err != nil {
		return Adhesion{}, err
	}
	a.HoldsFor, err = quality.HoldTime(parts, holdProbability, holdConfidence)
	return a, err
}

// add adds the parts of one job. The ledger does not record which of them a check has counted. They
// are assumed to be the first made, and those that came off to be the ones that took longest.
func (a *Adhesion) add(s ledger.Stay) (parts []quality.Held) {
	a.Made += len(s.Cycles)
	a.Detached += s.Detached
	a.UnknownTimes += s.Detached - len(s.After)
	// The first counted are those that were waiting to be counted when the surface was renewed.
	looked := min(len(s.Cycles), max(0, s.Good+s.Scrap+s.Detached-max(0, s.Backlog)))
	stayed := slices.Sorted(slices.Values(s.Cycles[:looked]))
	stayed = stayed[:max(0, looked-s.Detached)]
	for _, d := range stayed {
		if d <= 0 { // its duration is not known
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
