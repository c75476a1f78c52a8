package belt

import (
	"math"
)

// farMM stands for a limit that is never reached within reason: a thousand kilometres.
const farMM = 1e9

// watchedShare: of the travel over which the belt has been watched, how much more it
// may run unwatched. With 1 somewhat too many simulated belts passed their limit.
const watchedShare = 0.75

// watched is how far the belt may run until the next look whatever the forecast: a
// share of what it has been watched for since it was aligned or has changed, because a
// rate can change between two visits and no reading shows beforehand. What the worst
// rate allows is always allowed.
func (o Outlook) watched(readings []Reading, now Reading) float64 {
	newest := readings[len(readings)-1]
	w := WorstCase{RateMMPerM: o.WorstMMPerM, Newest: &newest}
	span := watchedShare * (newest.TravelMM - readings[0].TravelMM)
	return max(span-(now.TravelMM-newest.TravelMM), w.TravelToLimitMM(now.TravelMM, o.LimitMM))
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
