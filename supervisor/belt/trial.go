package belt

import (
	"math"

	"beltwarden/supervisor/distribution"
)

// Alignment is how a trial judges the alignment of the belt.
type Alignment string

// The judgements of a trial.
const (
	// AlignedWell: with 95 % probability the belt stays within its limit over what lies ahead.
	AlignedWell Alignment = "good enough"
	// AlignedBadly: at the rate seen, and also at the lowest that the reading error leaves
	// open, the belt passes its limit before the end of what lies ahead, whatever moves it.
	AlignedBadly Alignment = "not good enough"
	// AlignmentDepends: it passes the limit if what moves it goes with travel, and does not if
	// that goes with net advance. A run forward alone cannot separate the two.
	AlignmentDepends Alignment = "depends on what moves the belt"
	// AlignmentUnclear: the trial was too short to tell.
	AlignmentUnclear Alignment = "cannot tell"
	// AlignmentNoLot: nothing lies ahead to judge it by.
	AlignmentNoLot Alignment = "no lot to judge by"
)

// Verdict is what a trial of the alignment has shown. Offsets and rates are + to the right
// seen from the operator's side.
type Verdict struct {
	RunMM      float64 `json:"run_mm"`
	BeforeMM   float64 `json:"before_mm"`
	AfterMM    float64 `json:"after_mm"`
	Side       string  `json:"side"` // right, left, or "" when the offset did not change
	RateMMPerM float64 `json:"rate_mm_per_m"`
	// Rate95 holds the rate with 95 % probability, by the error of reading alone.
	Rate95 [2]float64 `json:"rate_95_mm_per_m"`
	// TravelToLimitMM is how far the belt may run from now until the limit at the rate seen;
	// nil when it never gets there. TravelToLimitLower95MM: with 95 % probability not before.
	TravelToLimitMM        *float64  `json:"travel_to_limit_mm"`
	TravelToLimitLower95MM float64   `json:"travel_to_limit_lower95_mm"`
	AheadMM                float64   `json:"ahead_mm"`         // travel to judge for; 0 is none
	AheadAdvanceMM         float64   `json:"ahead_advance_mm"` // net advance in it, without sign
	Alignment              Alignment `json:"alignment"`
	// NeededMM is how long a trial must be so that the error of reading blurs the offset at
	// the end of what lies ahead by no more than half the limit, with 95 % probability.
	NeededMM float64 `json:"needed_mm"`
}

// Judge takes a trial in which the belt ran from before to after, both read, and judges it
// against aheadMM of travel with so much net advance in it. A trial runs forward alone, so
// that it cannot separate what goes with travel from what goes with advance; what lies ahead runs
// to and fro, and the belt goes sideways by something between the two.
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
	// Two readings, each with its own error; Student's t, since the error itself is known
	// only as well as so many readings would show.
	blur := distribution.StudentQuantile(0.975, o.Scatter.DF) * o.Scatter.SDMM * math.Sqrt2
	doubt := 1000 * blur / run
	v.Rate95 = [2]float64{v.RateMMPerM - doubt, v.RateMMPerM + doubt}
	v.NeededMM = 2 * blur * aheadMM / o.LimitMM
	v.Alignment = v.judge(o.LimitMM)
	return v
}

// judge compares with what lies ahead.
func (v *Verdict) judge(limitMM float64) Alignment {
	// out reports whether the belt is out after a way at every rate that is left open, and in
	// whether it is within its limit at every one.
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
