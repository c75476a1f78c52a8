package belt

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Outlook says what a forecast of the lateral offset is for.
type Outlook struct {
	// LimitMM is the largest offset allowed, to either side.
	LimitMM float64
	// WorstMMPerM is the rate of drift to reckon with while there are too few readings.
	WorstMMPerM float64
	// Certainty of the hold, such as 0.99: the belt is still within the limit at
	// HoldMM with this probability. 0 means 0.99.
	Certainty float64
	// AdvancePerTravel is net advance over travel of what will be run; 0 takes that of
	// the readings.
	AdvancePerTravel float64
	// Scatter is what earlier realignments have taught; zero means the usual.
	Scatter Scatter
	// RealignedAtMM is the travel at which the belt was last aligned, where its offset
	// is taken for zero until there is a reading.
	RealignedAtMM float64
}

// Drive names what moves the belt sideways.
type Drive string

// Drives. A misaligned roller moves the belt back when it runs back, so that it goes
// with the net advance; slip and jerks do not, and go with travel.
const (
	ByTravel  Drive = "travel"
	ByAdvance Drive = "advance"
	ByBoth    Drive = "travel and advance"
)

// Basis says what a forecast rests on.
type Basis string

// Bases of a forecast.
const (
	OnWorstRate Basis = "worst rate" // fewer than two readings
	OnReadings  Basis = "readings"
)

// Flag is a reading that does not fit the others. It is left out of the estimates,
// and kept in the record; while it is the newest it counts for the bounds, since it
// may as well be the belt that has jumped.
type Flag struct {
	Index      int     `json:"index"` // of the readings given, from 0
	TravelMM   float64 `json:"travel_mm"`
	OffsetMM   float64 `json:"offset_mm"`
	ExpectedMM float64 `json:"expected_mm"`
	Doubt      float64 `json:"probability"` // of a reading at least as far out
	Newest     bool    `json:"newest"`
}

// Forecast is what the readings since the last realignment say. Fields that cannot
// be known yet are nil: an offset needs one reading, a rate two, its error three.
type Forecast struct {
	N     int   `json:"n"` // readings used for the estimates
	Basis Basis `json:"basis"`
	Drive Drive `json:"drive"`
	// OffsetMM is the fitted offset now; RateMMPerM its change for each metre of
	// travel ahead, with standard error. Both are those of plain least squares.
	OffsetMM     *float64 `json:"offset_mm"`
	RateMMPerM   *float64 `json:"rate_mm_per_m"`
	RateSE       *float64 `json:"rate_se"`
	ResidualSDMM *float64 `json:"residual_sd_mm"`
	// Mean95MM is the 95 % interval of the fitted offset now, Reading95MM that of one
	// reading now; both by Student's t of the plain fit, nil before it has an error.
	Mean95MM    *[2]float64 `json:"offset_95_mm"`
	Reading95MM *[2]float64 `json:"reading_95_mm"`
	// TravelToLimitMM is how far the belt runs from now until the fitted line reaches
	// the limit; nil when it never does.
	TravelToLimitMM *float64 `json:"travel_to_limit_mm"`
	// TravelToLimitLower95MM: with 95 % probability the limit is not passed before.
	TravelToLimitLower95MM float64 `json:"travel_to_limit_lower95_mm"`
	// HoldMM is the same for the certainty asked for; there the machine holds.
	HoldMM    float64 `json:"travel_to_hold_mm"`
	Certainty float64 `json:"certainty"`
	Flagged   []Flag  `json:"flagged"`
	// ChangedAtMM is the travel of the first reading after the rate, or the place, of
	// the belt has changed; readings before it are no longer used.
	ChangedAtMM *float64 `json:"changed_at_mm"`
	// Scatter is what a later forecast may start from.
	Scatter Scatter `json:"-"`
}

// farMM stands for a limit that is never reached within reason: a thousand kilometres.
const farMM = 1e9

// mostReadings bounds the readings that the bounds rest on; the newest count.
const mostReadings = 48

// Forecast judges the readings since the last realignment, of which now is the place
// to forecast from. Readings are in order of travel. Its cost does not grow with their
// number beyond some dozens, but for the plain sums of the estimates.
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
		}
	}
	f.HoldMM = min(f.HoldMM, o.watched(readings[s.from:], now))
	return f
}

// watchedShare: of the travel over which the belt has been watched, how much more it
// may run unwatched. With 1 somewhat too many simulated belts passed their limit.
const watchedShare = 0.75

// watched is how far the belt may run until the next look whatever the forecast: a
// share of what it has been watched for since it was aligned or has changed, because a
// rate can change between two visits and no reading tells beforehand. What the worst
// rate allows is always allowed.
func (o Outlook) watched(readings []Reading, now Reading) float64 {
	newest := readings[len(readings)-1]
	w := WorstCase{RateMMPerM: o.WorstMMPerM, Newest: &newest}
	span := watchedShare * (newest.TravelMM - readings[0].TravelMM)
	return max(span-(now.TravelMM-newest.TravelMM), w.TravelToLimitMM(now.TravelMM, o.LimitMM))
}

// worst bounds by the assumed rate, from one place.
func (f *Forecast) worst(o Outlook, from, now Reading) {
	w := WorstCase{RateMMPerM: o.WorstMMPerM, Newest: &from}
	f.TravelToLimitLower95MM = min(farMM, w.TravelToLimitMM(now.TravelMM, o.LimitMM))
	f.HoldMM = f.TravelToLimitLower95MM
}

// estimate fills in the plain least squares of the readings kept.
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
		se, sd := 1000*fit.combinedSE(per), fit.ResidualSD
		f.RateSE, f.ResidualSDMM = &se, &sd
		var mean, reading [2]float64
		mean[0], mean[1] = fit.MeanInterval(0.95, at...)
		reading[0], reading[1] = fit.PredictionInterval(0.95, at...)
		f.Mean95MM, f.Reading95MM = &mean, &reading
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

// bound returns how far the belt may run from now until the probability that it has
// passed the limit reaches what the certainty leaves.
func (o Outlook) bound(k *filter, d Drive, now Reading, certainty float64) float64 {
	beyond := func(mm float64) float64 {
		at := Reading{TravelMM: now.TravelMM + mm, AdvanceMM: now.AdvanceMM + o.AdvancePerTravel*mm}
		m := k.predict(at.TravelMM, d.of(at), false)
		return m.beyond(o.LimitMM)
	}
	risk := 1 - certainty
	if beyond(0) >= risk {
		return 0
	}
	low, high := 0.0, 1000.0
	for beyond(high) < risk {
		if low, high = high, high*4; high > farMM {
			return farMM
		}
	}
	for high-low > 1+low*1e-3 {
		mid := (low + high) / 2
		if low > 0 {
			mid = math.Sqrt(low * high)
		}
		if beyond(mid) < risk {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// Band returns what is believed of the offset at places ahead of now, the interval
// [low, high] that holds it with the certainty given, one for each distance in
// aheadMM. It is nil while there are too few readings.
func (o Outlook) Band(readings []Reading, now Reading, aheadMM []float64, certainty float64) [][2]float64 {
	if len(readings) == 0 {
		return nil
	}
	if o.Scatter.DF == 0 {
		o.Scatter = usualScatter
	}
	if o.AdvancePerTravel == 0 {
		o.AdvancePerTravel = ratio(readings)
	}
	s := screen(readings, o)
	if !s.without.ready() {
		return nil
	}
	band := make([][2]float64, len(aheadMM))
	for i, mm := range aheadMM {
		at := Reading{TravelMM: now.TravelMM + mm, AdvanceMM: now.AdvanceMM + o.AdvancePerTravel*mm}
		m := s.without.predict(at.TravelMM, s.drive.of(at), false)
		band[i] = [2]float64{m.quantile(0.5 - certainty/2), m.quantile(0.5 + certainty/2)}
	}
	return band
}

// of returns the drives at a place, in metres.
func (d Drive) of(r Reading) drive {
	switch d {
	case ByAdvance:
		return drive{r.AdvanceMM / 1000}
	case ByBoth:
		return drive{r.TravelMM / 1000, r.AdvanceMM / 1000}
	}
	return drive{r.TravelMM / 1000}
}

func (d Drive) rates() int {
	if d == ByBoth {
		return 2
	}
	return 1
}

// ratio is the net advance for each mm of travel over the readings.
func ratio(readings []Reading) float64 {
	a, b := readings[0], readings[len(readings)-1]
	if b.TravelMM == a.TravelMM {
		return 0
	}
	return (b.AdvanceMM - a.AdvanceMM) / (b.TravelMM - a.TravelMM)
}

// Sort puts readings in order of travel, and of their place in the list where that is
// the same. It returns whether they were out of order.
func Sort(readings []Reading) bool {
	byTravel := func(a, b Reading) int { return cmp.Compare(a.TravelMM, b.TravelMM) }
	if slices.IsSortedFunc(readings, byTravel) {
		return false
	}
	slices.SortStableFunc(readings, byTravel)
	return true
}

// String says the flag in words.
func (f Flag) String() string {
	return fmt.Sprintf("the offset %+.2f mm at %.3f m does not fit the others, which lead one to expect %+.2f mm", f.OffsetMM, f.TravelMM/1000, f.ExpectedMM)
}
