package supervisor

import (
	"fmt"
	"time"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/ledger"
)

// rules say when the machine must hold for a check. They count from the last
// check, or from the last hold that was released against the advice.
type rules struct {
	partsSinceCheck int
	sinceMM         float64   // belt travel when counting began
	sinceTime       time.Time // when counting began; the process's start at first

	drift    drift
	accepted bool              // it is beyond the limit, and the operator goes on for a reason given
	known    *ledger.BoardSeen // the board that this port had at its last run; nil: none
	strange  string            // in what the present board differs from it; "" when it does not
}

// restart begins to count anew.
func (r *rules) restart(now time.Time, travelMM float64) {
	r.partsSinceCheck, r.sinceMM, r.sinceTime = 0, travelMM, now
}

// nextTravelMM is the belt travel of the next part: as seen, or as planned.
func (m *Machine) nextTravelMM() float64 {
	if m.lot == nil {
		return 0
	}
	if m.lot.pace.n > 0 && len(m.lot.jobs) == 1 {
		return m.lot.pace.meanTravelMM()
	}
	if k := m.lot.next(); k >= 0 {
		return m.lot.Jobs[k].BeltTravelMMPerCycle
	}
	return 0
}

// nextDuration is how long the next part will take, as likely more as less; one more of the
// last where none is wanted.
func (m *Machine) nextDuration() time.Duration {
	if m.lot == nil {
		return 0
	}
	k := m.lot.next()
	if k < 0 {
		k = max(0, m.lot.last)
	}
	var planned time.Duration
	if plan := m.lot.plans[k]; plan != nil {
		planned = plan.Duration
	}
	p, _ := m.foretold()
	return p.usual(p.until(m.now), planned)
}

// worstCase is the belt's worst lateral offset so far and ahead, by the assumed rate.
func (m *Machine) worstCase() belt.WorstCase {
	return belt.WorstCase{RateMMPerM: m.set.WorstDrift, Newest: m.rules.drift.newest(), RealignedAtMM: m.rules.drift.from.TravelMM}
}

// NextVisit is a moment at which someone must be at the machine.
type NextVisit struct {
	Reason string    `json:"reason"`
	Text   string    `json:"text"`
	Parts  int       `json:"parts"`     // parts made until then
	MM     float64   `json:"travel_mm"` // belt travel until then
	At     time.Time `json:"at"`        // estimate
	// Early and Late bound it with 95 % certainty, by the cycles seen.
	Early time.Time `json:"early"`
	Late  time.Time `json:"late"`
	// Unseen: no cycle was seen yet, and what heating and cooling take is a guess.
	Unseen bool `json:"unseen,omitempty"`
	// Also are the reasons of visits that would come soon after and are done with this one.
	Also  []string `json:"also,omitempty"`
	Bring []string `json:"bring,omitempty"` // what it takes
}

// after bounds when so many more parts are made: early and late with 95 % certainty, at as
// likely sooner as later. unseen: what heating and cooling take is no more than a guess.
func (m *Machine) after(parts int) (early, at, late time.Time, unseen bool) {
	p, unseen := m.foretold()
	planned := m.lot.planned(parts)
	elapsed := m.elapsed(p)
	if c := m.cycle; c != nil && !c.fromLedger && c.made { // it has still to be moved off
		parts++
		if plan := c.lot.plans[c.job]; plan != nil {
			planned += plan.Duration
		}
	}
	d := p.takes(parts, p.until(m.now)-elapsed, planned, elapsed)
	return m.now.Add(d[0]), m.now.Add(d[1]), m.now.Add(d[2]), unseen
}

// plural writes a count with its noun.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
