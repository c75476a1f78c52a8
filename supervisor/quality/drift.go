package quality

import "math"

// Average is an exponentially weighted moving average, which shows slow drift that single values
// hide. Its limits are exact: narrow for the first values.
type Average struct {
	Weight float64 `json:"weight"` // of the newest value, above 0 to 1
	Width  float64 `json:"width"`  // of the limits, in its own standard deviations
	Target float64 `json:"target"`
	Sigma  float64 `json:"sigma"` // of single values
	At     float64 `json:"at"`
	Decay  float64 `json:"decay"` // (1-Weight)^(2i) after i values
}

// Observe adds a value and returns the side on which the average is beyond its limit, 0 for none.
func (a *Average) Observe(v float64) int {
	a.At = a.Weight*v + (1-a.Weight)*a.At
	a.Decay *= (1 - a.Weight) * (1 - a.Weight)
	low, high := a.Limits()
	switch {
	case a.At > high:
		return 1
	case a.At < low:
		return -1
	}
	return 0
}

// Limits are the limits after the values observed so far.
func (a *Average) Limits() (low, high float64) {
	half := a.Width * a.Sigma * math.Sqrt(a.Weight/(2-a.Weight)*(1-a.Decay))
	return a.Target - half, a.Target + half
}

// Sums are tabular cumulative sums of the deviations from the target beyond the slack, to either
// side.
type Sums struct {
	Target float64 `json:"target"`
	Slack  float64 `json:"slack"` // k, in the unit of the values
	Bound  float64 `json:"bound"` // h, likewise
	High   float64 `json:"high"`  // sum above
	Low    float64 `json:"low"`   // sum below, counted positive
}

// Observe adds a value and returns the side whose sum is beyond the bound, 0 for none.
func (s *Sums) Observe(v float64) int {
	s.High = math.Max(0, s.High+v-s.Target-s.Slack)
	s.Low = math.Max(0, s.Low+s.Target-s.Slack-v)
	switch {
	case s.High > s.Bound:
		return 1
	case s.Low > s.Bound:
		return -1
	}
	return 0
}
