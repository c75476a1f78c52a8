package belt

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Alignment is how a trial judges the alignment of the belt.
type Alignment string

// The judgements of a trial.
const (
	// AlignedWell: with 95 % probability the belt stays within its limit over what lies ahead.
	AlignedWell Alignment = "good enough"
	// AlignedBadly: at the rate seen, and also at the lowest that the reading error leaves
	// open, the belt passes its limit before the end of what lies ahead.
	AlignedBadly Alignment = "not good enough"
	// AlignmentUnclear: the trial was too short to tell.
	AlignmentUnclear Alignment = "cannot tell"
	// AlignmentAlone: nothing lies ahead to judge it by.
	AlignmentAlone Alignment = "no lot to judge by"
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
	AheadMM                float64   `json:"ahead_mm"` // travel to judge for; 0 is none
	Alignment              Alignment `json:"alignment"`
	// NeededMM is how long a trial must be so that the error of reading blurs the offset at
	// the end of what lies ahead by no more than half the limit, with 95 % probability.
	NeededMM float64 `json:"needed_mm"`
}

// Judge takes a trial in which the belt ran from before to after, both read, and judges it
// against aheadMM of travel. A trial runs forward alone, so that travel and advance cannot
// be told apart in it; what lies ahead runs to and fro, and is no worse by that.
func (o Outlook) Judge(before, after Reading, aheadMM float64) Verdict {
	o.Scatter = o.ReadingScatter()
	run := after.TravelMM - before.TravelMM
	v := Verdict{RunMM: run, BeforeMM: before.OffsetMM, AfterMM: after.OffsetMM, AheadMM: aheadMM}
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
	// only as well as so many readings would tell.
	blur := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: o.Scatter.DF}.Quantile(0.975) * o.Scatter.SDMM * math.Sqrt2
	doubt := 1000 * blur / run
	v.Rate95 = [2]float64{v.RateMMPerM - doubt, v.RateMMPerM + doubt}
	v.NeededMM = 2 * blur * aheadMM / o.LimitMM
	v.Alignment = v.judge(o.LimitMM)
	return v
}

// judge compares with what lies ahead.
func (v *Verdict) judge(limitMM float64) Alignment {
	at := func(rate float64) float64 { return v.AfterMM + rate*v.AheadMM/1000 }
	low, high := at(v.Rate95[0]), at(v.Rate95[1])
	switch {
	case v.AheadMM <= 0:
		return AlignmentAlone
	case math.Abs(v.AfterMM) >= limitMM, low > limitMM, high < -limitMM:
		return AlignedBadly
	case v.TravelToLimitLower95MM >= v.AheadMM:
		return AlignedWell
	}
	return AlignmentUnclear
}

// ReadingScatter is the error of one reading that the outlook reckons with.
func (o Outlook) ReadingScatter() Scatter {
	if o.Scatter.DF == 0 {
		return usualScatter
	}
	return o.Scatter
}
