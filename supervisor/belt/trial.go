package belt

import (
	"math"

	"beltwarden/supervisor/distribution"
)

// Alignment is the judgement of a trial on the alignment of the belt.
type Alignment string

// The judgements of a trial.
const (
	// AlignedWell: with 95 % probability the belt stays within its limit over what lies ahead.
	AlignedWell Alignment = "good enough"
	// AlignedBadly: at the observed rate, and also at the lowest within the reading error, the belt
	// exceeds its limit before the end of what lies ahead, whatever moves it.
	AlignedBadly Alignment = "not good enough"
	// AlignmentDepends: it exceeds the limit if the offset follows travel, and does not if it
	// follows net advance. A forward run alone cannot separate the two.
	AlignmentDepends Alignment = "depends on what moves the belt"
	// AlignmentUnclear: the trial was too short to tell.
	AlignmentUnclear Alignment = "cannot tell"
	// AlignmentNoLot: nothing lies ahead to judge it by.
	AlignmentNoLot Alignment = "no lot to judge by"
)

// Verdict is the result of an alignment trial. Offsets and rates are + to the right seen from the
// operator's side.
type Verdict struct {
	RunMM      float64 `json:"run_mm"`
	BeforeMM   float64 `json:"before_mm"`
	AfterMM    float64 `json:"after_mm"`
	Side       string  `json:"side"` // right, left, or "" when the offset did not change
	RateMMPerM float64 `json:"rate_mm_per_m"`
	// Rate95 is the 95 % interval of the rate, by the error of reading alone.
	Rate95 [2]float64 `json:"rate_95_mm_per_m"`
	// TravelToLimitMM is the travel from now to the limit at the observed rate; nil if it is never
	// reached. TravelToLimitLower95MM: not before that, with 95 % probability.
	TravelToLimitMM        *float64  `json:"travel_to_limit_mm"`
	TravelToLimitLower95MM float64   `json:"travel_to_limit_lower95_mm"`
	AheadMM                float64   `json:"ahead_mm"`         // travel to judge for; 0 is none
	AheadAdvanceMM         float64   `json:"ahead_advance_mm"` // net advance in it, without sign
	Alignment              Alignment `json:"alignment"`
	// NeededMM is how long a trial must be so that the error of reading makes the offset at the end
	// of what lies ahead uncertain by no more than half the limit, with 95 % probability.
	NeededMM float64 `json:"needed_mm"`
}

// Judge judges a trial in which the belt ran from before to after, for aheadMM of travel with this
// net advance. A trial runs forward only, so it cannot separate what follows travel from what
// follows advance. What lies ahead runs to and fro, and the drift is between the two.
func (o Outlook) Judge(before, after Reading, aheadMM, aheadAdvanceMM float64) Verdict {
	o.Scatter = o.ReadingScatter()
	run := after.TravelMM - before.TravelMM
	v := Verdict{RunMM: run, BeforeMM: before.OffsetMM, AfterMM: after.OffsetMM, AheadMM: aheadMM,
		AheadAdvanceMM: min(math.Abs(aheadAdvanceMM), aheadMM)}
	o.AdvancePerTravel = 1 // the worst that can lie ahead
	f := o.Forecast([]Reading{before, after}, after)
	v.TravelToLimitMM, v.TravelToLimitLower95MM = f.TravelToLimitMM, f.TravelToLimitLower95MM
	if f.RateMMPerM != nil {
		v.RateMMPerM = *f.RateMMPerM
	}
	switch {
	case v.RateMMPerM > 0:
		v.Side = "right"
	case v.RateMMPerM < 0:
		v.Side = "left"
	}
	// Two readings, each with its own error; Student's t, since the error itself is known only as
	// well as that many readings would show it.
	blur := distribution.StudentQuantile(0.975, o.Scatter.DF) * o.Scatter.SDMM * math.Sqrt2
	doubt := 1000 * blur / run
	v.Rate95 = [2]float64{v.RateMMPerM - doubt, v.RateMMPerM + doubt}
	v.NeededMM = 2 * blur * aheadMM / o.LimitMM
	v.Alignment = v.judge(o.LimitMM)
	return v
}

// judge compares the rate with what lies ahead.
func (v *Verdict) judge(limitMM float64) Alignment {
	// out reports whether the belt exceeds its limit after a distance at every possible rate, in
	// whether it stays within at every one.
	out := func(mm float64) bool {
		return v.AfterMM+v.Rate95[0]*mm/1000 > limitMM || v.AfterMM+v.Rate95[1]*mm/1000 < -limitMM
	}
	in := func(mm float64) bool {
		return v.AfterMM+v.Rate95[0]*mm/1000 > -limitMM && v.AfterMM+v.Rate95[1]*mm/1000 < limitMM
	}
	switch {
	case v.AheadMM <= 0:
		return AlignmentNoLot
	case math.Abs(v.AfterMM) >= limitMM, out(v.AheadAdvanceMM) && out(v.AheadMM):
		return AlignedBadly
	case v.TravelToLimitLower95MM >= v.AheadMM:
		return AlignedWell
	case in(v.AheadAdvanceMM) && out(v.AheadMM):
		return AlignmentDepends
	}
	return AlignmentUnclear
}

// ReadingScatter is the error of one reading that the outlook assumes.
func (o Outlook) ReadingScatter() Scatter {
	if o.Scatter.DF == 0 {
		return usualScatter
	}
	return o.Scatter
}
