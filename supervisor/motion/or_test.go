package motion

import "testing"

func TestOr(t *testing.T) {
	board := Limits{SpeedMMPerS: [Axes]float64{100, 100, 10, 50}, AccelMMPerS2: [Axes]float64{3: 7000}, PrintAccelMMPerS2: 800,
		RetractAccelMMPerS2: 900, TravelAccelMMPerS2: 950, CornerMMPerS: [Axes]float64{8, 8, 1, 5}, LookAhead: 8}
	if got := (Limits{}).WithDefaults(board); got != board {
		t.Errorf("all of it: %+v", got)
	}
	mine := Limits{SpeedMMPerS: [Axes]float64{1: 60}, TravelAccelMMPerS2: 400, JunctionDeviationMM: 0.05, LookAhead: 16}
	want := Limits{SpeedMMPerS: [Axes]float64{100, 60, 10, 50}, AccelMMPerS2: [Axes]float64{3: 7000}, PrintAccelMMPerS2: 800,
		RetractAccelMMPerS2: 900, TravelAccelMMPerS2: 400, JunctionDeviationMM: 0.05, LookAhead: 16}
	if got := mine.WithDefaults(board); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	steps := Limits{CornerMMPerS: [Axes]float64{2: 0.5}}
	if got := steps.WithDefaults(Limits{JunctionDeviationMM: 0.02}); got != steps {
		t.Errorf("a second rule for corners was taken: %+v", got)
	}
}
