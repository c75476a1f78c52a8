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

// worstCase is the belt's worst lateral offset so far and ahead, by the assumed rate.
func (m *Machine) worstCase() belt.WorstCase {
	return belt.WorstCase{RateMMPerM: m.set.WorstDrift, Newest: m.rules.drift.newest(), RealignedAtMM: m.rules.drift.from.TravelMM}
}

// plural writes a count with its noun.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
