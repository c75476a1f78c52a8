package belt

import (
	"math"
	"testing"
)

// TestCalibrated: 1000 mm commanded at 80 steps/mm are 80,000 steps. At 100 steps/mm, which
// has turned out to be right, they were 800 mm.
func TestCalibrated(t *testing.T) {
	one := []Rescale{{1000, 80, 100}}
	two := append(one, Rescale{3000, 100, 50}) // 80,000 + 200,000 steps, then 50 a mm
	for _, c := range []struct {
		mm      float64
		changes []Rescale
		want    float64
	}{
		{1234, nil, 1234}, {1000, one, 800}, {500, one, 400}, {1500, one, 1300}, {0, one, 0},
		{3000, two, 5600}, {3100, two, 5700}, {1000, two, 1600},
		{1500, []Rescale{{1000, 80, 100}, {1000, 80, 100}}, 1300}, // reported twice, as when it is stored
	} {
		if got := Calibrated(c.mm, c.changes); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%g mm with %v are %g, want %g", c.mm, c.changes, got, c.want)
		}
	}
}
