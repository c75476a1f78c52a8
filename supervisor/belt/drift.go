// Package belt models the belt: how far it may have drifted sideways, what its true scale is, and
// where its seam and its wear are. It is pure.
//
// Lengths are millimetres. Lateral offset is the sideways position of the belt at the reference
// edge, + to the right seen from the operator's side.
package belt

import "math"

// Reading is one lateral offset as the operator read it.
type Reading struct {
	TravelMM  float64 // belt travel at the reading
	AdvanceMM float64 // net belt advance at the reading
	OffsetMM  float64
}

// WorstCase bounds the lateral offset by an assumed rate of drift, for a belt of which too little
// is known for a forecast: from the newest reading, or from zero at the last realignment, it may
// have drifted to either side at that rate.
type WorstCase struct {
	RateMMPerM    float64  // mm of offset per metre of travel, 0 or more
	Newest        *Reading // since the last realignment; nil when there is none
	RealignedAtMM float64  // belt travel at the last realignment
}

// from returns where the bound begins.
func (w WorstCase) from() Reading {
	if w.Newest != nil {
		return *w.Newest
	}
	return Reading{TravelMM: w.RealignedAtMM}
}

// AtMM returns the largest offset, without sign, that the belt may have at a travel.
func (w WorstCase) AtMM(travelMM float64) float64 {
	f := w.from()
	return math.Abs(f.OffsetMM) + w.RateMMPerM*max(0, travelMM-f.TravelMM)/1000
}

// TravelToLimitMM returns how far the belt may run from travelMM before the offset may exceed the
// limit; 0 if it may have already, +Inf if the rate is zero.
func (w WorstCase) TravelToLimitMM(travelMM, limitMM float64) float64 {
	left := limitMM - w.AtMM(travelMM)
	if left <= 0 {
		return 0
	}
	if w.RateMMPerM <= 0 {
		return math.Inf(1)
	}
	return left / w.RateMMPerM * 1000
}
