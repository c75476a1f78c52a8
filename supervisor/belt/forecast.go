package belt

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Outlook is the basis of a forecast of the lateral offset.
type Outlook struct {
	// LimitMM is the largest offset allowed, to either side.
	LimitMM float64
	// WorstMMPerM is the rate of drift to assume while there are too few readings.
	WorstMMPerM float64
	// Certainty of the hold, such as 0.99: the belt is still within the limit at
	// HoldMM with this probability. 0 means 0.99.
	Certainty float64
	// AdvancePerTravel is net advance per travel of what runs next; 0 uses that of the readings.
	AdvancePerTravel float64
	// Scatter is learned from earlier alignments; zero means the usual scatter.
	Scatter Scatter
	// LoopMM is the length of the belt's loop; 0: unknown.
	LoopMM float64
	// RealignedAtMM is the travel at which the belt was last aligned. Its offset there is assumed
	// to be zero until there is a reading.
	RealignedAtMM float64
}

// Drive names what moves the belt sideways.
type Drive string

// Drives. A misaligned roller moves the belt back when it runs back, so the offset follows net
// advance. With slip and jerks it follows travel.
const (
	ByTravel  Drive = "travel"
	ByAdvance Drive = "advance"
	ByBoth    Drive = "travel and advance"
)

// Basis is what a forecast is based on.
type Basis string

// Bases of a forecast.
const (
	OnWorstRate Basis = "worst rate" // fewer than two readings
	OnReadings  Basis = "readings"
)

// Flag is a reading that does not fit the others. It is excluded from the estimates, and kept in
// the record. While it is the newest it counts for the bounds, since the belt itself may have
// jumped.
type Flag struct {
	Index      int     `json:"index"` // of the readings given, from 0
	TravelMM   float64 `json:"travel_mm"`
	OffsetMM   float64 `json:"offset_mm"`
	ExpectedMM float64 `json:"expected_mm"`
	Doubt      float64 `json:"probability"` // of a reading at least as far out
	Newest     bool    `json:"newest"`
}

// Forecast is the result of the readings since the last realignment. Fields that cannot be known
// yet are nil: an offset needs one reading, a rate two, its error three.
type Forecast struct {
	N     int   `json:"n"` // readings used for the estimates
	Basis Basis `json:"basis"`
	Drive Drive `json:"drive"`
	// OffsetMM is the fitted offset now; RateMMPerM its change per metre of travel ahead. Both are
	// by plain least squares.
	OffsetMM     *float64 `json:"offset_mm"`
	RateMMPerM   *float64 `json:"rate_mm_per_m"`
	ResidualSDMM *float64 `json:"residual_sd_mm"`
	// Offset95MM and Rate95MMPerM are their 95 % intervals, by the model of the bounds: a few
	// readings that happen to be on one line may still have errors.
	Offset95MM   *[2]float64 `json:"offset_95_mm"`
	Rate95MMPerM *[2]float64 `json:"rate_95_mm_per_m"`
	// TravelToLimitMM is how far the belt runs from now until the fitted line reaches
	// the limit; nil when it never does.
	TravelToLimitMM *float64 `json:"travel_to_limit_mm"`
	// TravelToLimitLower95MM: the limit is not exceeded before, with 95 % probability.
	TravelToLimitLower95MM float64 `json:"travel_to_limit_lower95_mm"`
	// HoldMM is the same for the requested certainty. The machine holds there.
	HoldMM    float64 `json:"travel_to_hold_mm"`
	Certainty float64 `json:"certainty"`
	Flagged   []Flag  `json:"flagged"`
	// LoopShare is the shortest stretch of the belt, as a share of its loop, on which all readings
	// were taken; nil before three, and if the loop is unknown. An uneven edge read on little of
	// the loop looks like drift, or stays hidden.
	LoopShare *float64 `json:"loop_share"`
	// ChangedAtMM is the travel of the first reading after a change of the belt's rate or place;
	// earlier readings are no longer used.
	ChangedAtMM *float64 `json:"changed_at_mm"`
	// Scatter is the starting point for a later forecast.
	Scatter Scatter `json:"-"`
}

// maxReadings limits the readings behind the bounds to the newest.
const maxReadings = 48

// Forecast judges the readings since the last realignment, in order of travel, from the place now.
// Beyond some dozens of readings its cost does not grow, except for the plain sums of the
// estimates.
func (o Outlook) Forecast(readings []Reading, now Reading) Forecast {
	if o.Certainty == 0 {
		o.Certainty = 0.99
	}
	if o.Scatter.DF == 0 {
		o.Scatter = usualScatter
	}
	f := Forecast{Basis: OnWorstRate, Drive: ByTravel, Certainty: o.Certainty, Flagged: []Flag{}, Scatter: o.Scatter}
	if len(readings) == 0 {
		f.worst(o, Reading{TravelMM: o.RealignedAtMM}, now)
		return f
	}
	if o.AdvancePerTravel == 0 {
		o.AdvancePerTravel = ratio(readings)
	}
	s := screen(readings, o)
	f.Drive, f.Flagged = s.drive, s.flagged
	if s.from > 0 {
		at := readings[s.from].TravelMM
		f.ChangedAtMM = &at
	}
	f.estimate(o, s.kept, now)
	if o.LoopMM > 0 && f.N >= 3 {
		share := Loop{LengthMM: o.LoopMM}.share(s.kept)
		f.LoopShare = &share
	}
	if !s.with.ready() && !s.without.ready() {
		newest := readings[len(readings)-1]
		f.worst(o, newest, now)
		return f
	}
	f.Basis = OnReadings
	f.Scatter = s.without.scatterSeen()
	f.TravelToLimitLower95MM, f.HoldMM = math.Inf(1), math.Inf(1)
	for i, k := range []*filter{&s.without, &s.with} {
		if k.ready() && (i == 0 || s.with != s.without) {
			f.TravelToLimitLower95MM = min(f.TravelToLimitLower95MM, o.bound(k, s.drive, now, 0.95))
			f.HoldMM = min(f.HoldMM, o.bound(k, s.drive, now, o.Certainty))
			f.within(o, k, now)
		}
	}
	f.HoldMM = min(f.HoldMM, o.watched(readings[s.from:], now))
	return f
}

// beyond95 is the probability outside a 95 % interval on either side. It would be 0.025 if no rule
// were read worse than the usual scatter: with that TestCalibration finds 93 % of the offsets
// inside.
const beyond95 = 0.014

// within widens the intervals to those of a filter with three readings or more.
func (f *Forecast) within(o Outlook, k *filter, now Reading) {
	if k.n() < 3 {
		return
	}
	per := f.Drive.of(Reading{TravelMM: 1e6, AdvanceMM: 1e6 * o.AdvancePerTravel}) // by the kilometre, for the quantile's digits
	offset, rate := k.predict(now.TravelMM, f.Drive.of(now), false), k.rate(per)
	for _, i := range []struct {
		of    **[2]float64
		m     *mixture
		scale float64
	}{{&f.Offset95MM, &offset, 1}, {&f.Rate95MMPerM, &rate, 1e-3}} {
		low, high := i.scale*i.m.quantile(beyond95), i.scale*i.m.quantile(1-beyond95)
		if was := *i.of; was != nil {
			low, high = min(low, was[0]), max(high, was[1])
		}
		*i.of = &[2]float64{low, high}
	}
}

// Creeps reports whether the readings were taken on little of the belt's loop and not at one mark,
// so that neither trend nor scatter shows how uneven the belt's edge is.
func (f *Forecast) Creeps() bool {
	return f.LoopShare != nil && *f.LoopShare > onePlace && *f.LoopShare < 0.5
}

// Uneven reports whether readings all around the belt's loop scatter by more than the error of
// reading: the edge is uneven, and readings at one mark would allow more travel between checks.
func (f *Forecast) Uneven() bool {
	return f.LoopShare != nil && *f.LoopShare >= 0.5 && f.N >= 5 && f.ResidualSDMM != nil && *f.ResidualSDMM >= unevenSDMM
}

// unevenSDMM: readings scatter by 0.1 to 0.4 mm (common practice, no source).
const unevenSDMM = 0.5

// onePlace: a mark is brought back to within this distance.
const onePlace = 0.02

// worst bounds the travel by the assumed rate.
func (f *Forecast) worst(o Outlook, from, now Reading) {
	w := WorstCase{RateMMPerM: o.WorstMMPerM, Newest: &from}
	f.TravelToLimitLower95MM = min(farMM, w.TravelToLimitMM(now.TravelMM, o.LimitMM))
	f.HoldMM = f.TravelToLimitLower95MM
}

// estimate fills in the plain least squares of the readings in use.
func (f *Forecast) estimate(o Outlook, kept []Reading, now Reading) {
	f.N = len(kept)
	if f.N == 0 {
		return
	}
	travel, advance, offset := make([]float64, f.N), make([]float64, f.N), make([]float64, f.N)
	for i, r := range kept {
		travel[i], advance[i], offset[i] = r.TravelMM, r.AdvanceMM, r.OffsetMM
	}
	var fit *Fit
	var err error
	var at, per []float64 // columns now, and their change for each mm of travel
	switch f.Drive {
	case ByAdvance:
		fit, err = FitLine(advance, offset)
		at, per = []float64{now.AdvanceMM}, []float64{o.AdvancePerTravel}
	case ByBoth:
		fit, err = FitPlane(travel, advance, offset)
		at, per = []float64{now.TravelMM, now.AdvanceMM}, []float64{1, o.AdvancePerTravel}
	default:
		fit, err = FitLine(travel, offset)
		at, per = []float64{now.TravelMM}, []float64{1}
	}
	if err != nil {
		f.OffsetMM = &offset[f.N-1]
		return
	}
	here, rate := fit.At(at...), 0.0
	for k, p := range per {
		rate += fit.Slope[k] * p
	}
	perM := 1000 * rate
	f.OffsetMM, f.RateMMPerM = &here, &perM
	if fit.DF > 0 {
		f.ResidualSDMM = &fit.ResidualSD
	}
	switch {
	case math.Abs(here) >= o.LimitMM:
		zero := 0.0
		f.TravelToLimitMM = &zero
	case rate != 0:
		mm := (math.Copysign(o.LimitMM, rate) - here) / rate
		f.TravelToLimitMM = &mm
	}
}

// Sort sorts readings by travel, keeping the order of equals, and returns whether they were out of
// order.
func Sort(readings []Reading) bool {
	byTravel := func(a, b Reading) int { return cmp.Compare(a.TravelMM, b.TravelMM) }
	if slices.IsSortedFunc(readings, byTravel) {
		return false
	}
	slices.SortStableFunc(readings, byTravel)
	return true
}

// String describes the flag.
func (f Flag) String() string {
	return fmt.Sprintf("the offset %+.2f mm at %.3f m does not fit the others, which predict %+.2f mm", f.OffsetMM, f.TravelMM/1000, f.ExpectedMM)
}
