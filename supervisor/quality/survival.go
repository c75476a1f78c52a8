package quality

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mathext"
)

// Held is how long one part was on the belt, and whether it came off. A part that did not has held
// at least that long.
type Held struct {
	For      time.Duration
	Detached bool
}

// Survival is the fraction of parts still holding from one time until the next.
type Survival struct {
	At       time.Duration `json:"at_ns"`
	AtRisk   int           `json:"at_risk"`  // parts observed until At, before those that detach there
	Detached int           `json:"detached"` // at At
	Fraction float64       `json:"fraction"`
	SE       float64       `json:"se"`       // Greenwood's
	Interval Interval      `json:"interval"` // by the logarithm of the logarithm, so that it stays within 0 and 1
}

// Survivals is the Kaplan-Meier estimate: one step for each time at which parts
// detached. A part taken off at the same time counts as having held through it.
func Survivals(parts []Held, confidence float64) ([]Survival, error) {
	if !between(confidence) {
		return nil, fmt.Errorf("cannot estimate how long parts hold: a confidence of %g is not between 0 and 1", confidence)
	}
	sorted := slices.Clone(parts)
	slices.SortStableFunc(sorted, byTime)
	if len(sorted) > 0 && sorted[0].For < 0 {
		return nil, fmt.Errorf("cannot estimate how long parts hold: %v on the belt is not possible", sorted[0].For)
	}
	var out []Survival
	q := z((1 + confidence) / 2)
	fraction, greenwood, upper := 1.0, 0.0, 1.0
	for i := 0; i < len(sorted); {
		at, risk, gone := sorted[i].For, len(sorted)-i, 0
		for ; i < len(sorted) && sorted[i].For == at; i++ {
			if sorted[i].Detached {
				gone++
			}
		}
		if gone == 0 {
			continue
		}
		n, d := float64(risk), float64(gone)
		s := Survival{At: at, AtRisk: risk, Detached: gone}
		if gone == risk { // none is left: the formula has no value, and the bound stays
			fraction, s.Interval = 0, Interval{0, upper}
		} else {
			fraction *= (n - d) / n
			greenwood += d / (n * (n - d))
			s.SE = fraction * math.Sqrt(greenwood)
			s.Interval = logLog(fraction, greenwood, q)
			upper = s.Interval.High
		}
		s.Fraction = fraction
		out = append(out, s)
	}
	return out, nil
}

// logLog is the interval of a fraction below 1 whose logarithm has the variance.
func logLog(fraction, variance, q float64) Interval {
	e := q * math.Sqrt(variance) / math.Abs(math.Log(fraction))
	return Interval{math.Pow(fraction, math.Exp(e)), math.Pow(fraction, math.Exp(-e))}
}

// HoldTime is the longest time for which parts hold with at least the given probability, by a
// one-sided lower bound of that confidence; 0 if the parts so far show it for no time. A job that
// takes longer takes longer than this surface was shown to hold.
func HoldTime(parts []Held, probability, confidence float64) (time.Duration, error) {
	if !between(probability) || !(confidence > 0.5 && confidence < 1) {
		return 0, fmt.Errorf("cannot estimate how long parts hold: probability %g must be between 0 and 1, confidence %g between 0.5 and 1", probability, confidence)
	}
	sorted := slices.Clone(parts)
	slices.SortStableFunc(sorted, byTime)
	if len(sorted) > 0 && sorted[0].For < 0 {
		return 0, fmt.Errorf("cannot estimate how long parts hold: %v on the belt is not possible", sorted[0].For)
	}
	// The bound is that of Fay, Brittain and Proschan (Biostatistics 14, 2013, 723-736): a
	// product of beta variables, by its first two moments. Where none has come off it is the
	// exact one, and where all are seen to the same time that of Clopper and Pearson.
	mean, square := 1.0, 1.0
	times := func(risk int) (float64, float64) {
		n := float64(risk)
		return mean * n / (n + 1), square * n / (n + 2)
	}
	bound := func(risk int) float64 {
		if risk == 0 {
			return 0
		}
		m, q := times(risk)
		weight := (m - q) / (q - m*m)
		return mathext.InvRegIncBeta(m*weight, (1-m)*weight, 1-confidence)
	}
	longest := time.Duration(0)
	for i := 0; i < len(sorted); {
		at, risk := sorted[i].For, len(sorted)-i
		if bound(risk) < probability {
			break
		}
		gone := 0
		for ; i < len(sorted) && sorted[i].For == at; i++ {
			if sorted[i].Detached {
				mean, square = times(risk - gone)
				gone++
			}
		}
		if gone > 0 && bound(risk-gone) < probability {
			return max(0, at-1), nil // shown until just before those detached
		}
		longest = at
	}
	return longest, nil
}

func byTime(a, b Held) int { return cmp.Compare(a.For, b.For) }
