package report

import "slices"

// Spread sums up values of one kind. Everything is 0 without a value.
type Spread struct {
	N      int     `json:"n"`
	Median float64 `json:"median"`
	Mean   float64 `json:"mean"`
	Least  float64 `json:"least"`
	Most   float64 `json:"most"`
}

// spreadOf sums up values, which it sorts.
func spreadOf(values []float64) Spread {
	n := len(values)
	if n == 0 {
		return Spread{}
	}
	slices.Sort(values)
	s := Spread{N: n, Least: values[0], Most: values[n-1], Median: values[n/2]}
	if n%2 == 0 {
		s.Median = (values[n/2-1] + values[n/2]) / 2
	}
	for _, v := range values {
		s.Mean += v / float64(n)
	}
	return s
}
