package belt

import (
	"math"
)

// farMM stands for a limit that is never reached: a thousand kilometres.
const farMM = 1e9

// watchedShare bounds how much further the belt may run unobserved, relative to the travel over
// which it was observed. With 1, slightly too many simulated belts exceeded their limit.
const watchedShare = 0.75

// watched is how far the belt may run until the next check whatever the forecast: a share of the
// travel since it was aligned or has changed, because a rate can change between two visits without
// any reading showing it. What the worst rate allows is always allowed.
func (o Outlook) watched(readings []Reading, now Reading) float64 {
	newest := readings[len(readings)-1]
	w := WorstCase{RateMMPerM: o.WorstMMPerM, Newest: &newest}
	span := watchedShare * (newest.TravelMM - readings[0].TravelMM)
	return max(span-(now.TravelMM-newest.TravelMM), w.TravelToLimitMM(now.TravelMM, o.LimitMM))
}

// bound returns how far the belt may run from now until the probability that it has exceeded the
// limit reaches 1 - certainty.
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

// Band returns the interval [low, high] that holds the offset with the given certainty, for each
// distance ahead of now in aheadMM. It is nil while there are too few readings.
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
