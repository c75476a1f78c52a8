//go:build !race

// As calibration_test.go.

package belt

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// TestWhatAMarkGains reads belts whose edge is uneven at one mark each time and anywhere, eight
// times 9.6 m apart: where it is said that readings at a mark would let the belt run further,
// they do, and where they would not it is hardly ever said.
func TestWhatAMarkGains(t *testing.T) {
	const loop, lots = 2400.0, 300
	for _, c := range []struct {
		unevenMM         float64
		toldFrom, toldTo float64
		gainFrom, gainTo float64
	}{
		{0, 0, 0.05, 0, 1.2},
		{0.3, 0, 0.1, 0, 1.3},
		{1, 0.7, 1, 1.6, 5},
		{1.5, 0.9, 1, 1.6, 8},
	} {
		r := rand.New(rand.NewPCG(1, uint64(10*c.unevenMM)))
		said := 0.0
		var gain []float64
		for range lots {
			rate, from := 0.02*r.NormFloat64(), r.Float64()
			hold := func(step func(k int) float64) (Forecast, float64) {
				var list []Reading
				for k := range 8 {
					at := step(k)
					off := rate*at/1000 + c.unevenMM*math.Sin(2*math.Pi*(from+at/loop)) + 0.2*r.NormFloat64()
					list = append(list, Reading{TravelMM: at, AdvanceMM: at, OffsetMM: math.Round(10*off) / 10})
				}
				f := Outlook{LimitMM: 4, WorstMMPerM: 0.15, LoopMM: loop}.Forecast(list, list[7])
				return f, f.HoldMM
			}
			_, marked := hold(func(k int) float64 { return 4 * loop * float64(k+1) })
			f, anywhere := hold(func(k int) float64 { return 4*loop*float64(k+1) + loop*r.Float64() })
			if f.Uneven() {
				said++
			}
			gain = append(gain, min(marked, 1e6)/min(anywhere, 1e6))
		}
		slices.Sort(gain)
		median := gain[lots/2]
		t.Logf("uneven by %g mm: said in %.0f %%, a mark makes the way to the next check %.2f times as long (half of the lots)", c.unevenMM, 100*said/lots, median)
		if said /= lots; said < c.toldFrom || said > c.toldTo {
			t.Errorf("uneven by %g mm: said in %.0f %% of lots", c.unevenMM, 100*said)
		}
		if median < c.gainFrom || median > c.gainTo {
			t.Errorf("uneven by %g mm: a mark gains %.2f times", c.unevenMM, median)
		}
	}
}
