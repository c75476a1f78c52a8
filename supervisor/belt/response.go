package belt

import (
	"fmt"
	"math"

	"beltwarden/supervisor/distribution"
)

// Turn is one adjustment of the belt's tracking and its effect: how far one adjuster was turned,
// with the operator's own sign, and how much the rate of drift has changed.
type Turn struct {
	Turns            float64
	RateChangeMMPerM float64
}

// Response is how the rate of drift responds to one adjuster, learned from the operator's
// adjustments. Which way an adjuster works differs between machines and faults, so nothing is
// assumed.
type Response struct {
	N int `json:"n"`
	// PerTurn is the change of the rate per turn, mm/m, with standard error and 95 % interval by
	// Student's t. All are zero while Known is false for lack of adjustments.
	PerTurn   float64    `json:"rate_mm_per_m_per_turn"`
	PerTurnSE float64    `json:"rate_mm_per_m_per_turn_se"`
	PerTurn95 [2]float64 `json:"rate_mm_per_m_per_turn_95"`
	// Known: the interval excludes zero, so that the direction is known.
	Known bool `json:"known"`

	maxTurns float64 // turns, in the largest adjustment so far
}

// minTurns is the smallest number of adjustments behind a response: one has no scatter.
const minTurns = 2

// Respond learns from adjustments by least squares through zero: no turn, no change. It ignores
// turns of zero. Two adjustments that happen to agree would have next to no scatter, so it is
// pooled with that expected from the error of reading: a standard deviation of changeSD mm/m with
// df degrees of freedom.
func Respond(list []Turn, changeSD, df float64) Response {
	var turns, change []float64
	var r Response
	squares := 0.0
	for _, t := range list {
		if t.Turns == 0 {
			continue
		}
		turns, change = append(turns, t.Turns), append(change, t.RateChangeMMPerM)
		squares += t.Turns * t.Turns
		r.maxTurns = max(r.maxTurns, math.Abs(t.Turns))
	}
	r.N = len(turns)
	if r.N < minTurns {
		return r
	}
	f, err := FitThroughZero(turns, change)
	if err != nil {
		return r // cannot happen: the turns are not zero
	}
	nu := float64(f.DF) + df
	variance := (f.ResidualSS + df*changeSD*changeSD) / nu
	r.PerTurn, r.PerTurnSE = f.Slope[0], math.Sqrt(variance/squares)
	half := distribution.StudentQuantile(0.975, nu) * r.PerTurnSE
	r.PerTurn95 = [2]float64{r.PerTurn - half, r.PerTurn + half}
	r.Known = r.PerTurn95[0] > 0 || r.PerTurn95[1] < 0
	return r
}

// Advice is how far to turn an adjuster to undo a rate of drift.
type Advice struct {
	Turns float64 `json:"turns"` // with the operator's own sign
	// Turns95 is its interval, by the uncertainty of the response.
	Turns95 [2]float64 `json:"turns_95"`
	// Beyond: it is more than was ever turned at once, so turn in steps.
	Beyond bool `json:"beyond_experience"`
}

// Undo returns how far to turn against a rate of drift, mm/m. It is false while the response is
// unknown.
func (r Response) Undo(rateMMPerM float64) (Advice, bool) {
	if !r.Known {
		return Advice{}, false
	}
	a := Advice{Turns: 0 - rateMMPerM/r.PerTurn}
	x, y := 0-rateMMPerM/r.PerTurn95[0], 0-rateMMPerM/r.PerTurn95[1]
	a.Turns95 = [2]float64{min(x, y), max(x, y)}
	a.Beyond = math.Abs(a.Turns) > r.maxTurns*(1+1e-9)
	return a, true
}

// Text describes the advice for an adjuster.
func (a Advice) Text(adjuster string, n int) string {
	text := fmt.Sprintf("by %d adjustments of %q, turning it by about %+.2f (between %+.2f and %+.2f) would undo this rate", n, adjuster, a.Turns, a.Turns95[0], a.Turns95[1])
	if a.Beyond {
		text += "; that is more than you ever turned it in one go, so go half of it and try again"
	}
	return text
}
