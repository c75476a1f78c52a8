package belt

import (
	"math"
	"testing"
)

func near(a, b, tol float64) bool { return math.Abs(a-b) <= tol*math.Max(1, math.Abs(b)) }

// TestWorstCase works a case by hand: read 0.4 mm at 10 m, 0.05 mm per metre.
func TestWorstCase(t *testing.T) {
	w := WorstCase{RateMMPerM: 0.05, Newest: &Reading{TravelMM: 10_000, OffsetMM: -0.4}}
	if got := w.AtMM(30_000); !near(got, 1.4, 1e-12) { // 0.4 + 20 m x 0.05
		t.Errorf("at 30 m: %g mm, want 1.4", got)
	}
	if got := w.TravelToLimitMM(30_000, 3); !near(got, 32_000, 1e-12) { // 1.6 mm left
		t.Errorf("to the limit: %g mm, want 32000", got)
	}
	if got := w.TravelToLimitMM(90_000, 3); got != 0 {
		t.Errorf("beyond the limit: %g mm, want 0", got)
	}
	fresh := WorstCase{RateMMPerM: 0.05, RealignedAtMM: 5_000}
	if got := fresh.AtMM(25_000); !near(got, 1, 1e-12) {
		t.Errorf("20 m after a realignment: %g mm, want 1", got)
	}
	// A well-aligned belt that runs 100,000 mm within 3 mm drifts by at most 0.03 mm
	// per metre (common practice, no source).
	if got := (WorstCase{RateMMPerM: 0.03}).TravelToLimitMM(0, 3); !near(got, 100_000, 1e-9) {
		t.Errorf("0.03 mm/m reaches 3 mm after %g mm, want 100000", got)
	}
	if got := (WorstCase{}).TravelToLimitMM(0, 3); !math.IsInf(got, 1) {
		t.Errorf("no drift: %g mm, want no end", got)
	}
}
