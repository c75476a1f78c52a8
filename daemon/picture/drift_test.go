package picture

import (
	"math"
	"slices"
	"testing"

	"beltwarden/supervisor/belt"
)

func read(travelMM, offsetMM float64) belt.Reading {
	return belt.Reading{TravelMM: travelMM, AdvanceMM: travelMM, OffsetMM: offsetMM}
}

// The forecast shows where the machine will hold: there the band, drawn for the same certainty, is still within the
// limit, and the limit is drawn over it.
func TestDriftShowsTheHold(t *testing.T) {
	readings := []belt.Reading{read(1000, 0.1), read(3000, 0.4), read(6000, 0.75), read(9000, 1.3), read(12000, 1.5)}
	for n := 1; n <= len(readings); n++ {
		o := belt.Outlook{LimitMM: 3, WorstMMPerM: 0.5, RealignedAtMM: 800}
		now := readings[n-1]
		now.TravelMM, now.AdvanceMM = now.TravelMM+500, now.AdvanceMM+500
		f := o.Forecast(readings[:n], now)
		p := Drift(o, readings[:n], now, &f, 700)
		names := marks(p)
		for _, want := range []string{"realigned", "now", "hold here"} {
			if !slices.Contains(names, want) {
				t.Fatalf("of %d readings: %q is missing in %q", n, want, names)
			}
		}
		at := p.Marks[slices.Index(names, "hold here")].At * 1000
		if math.Abs(at-now.TravelMM-f.HoldMM) > 1e-6 {
			t.Errorf("of %d readings: hold at %g mm, not at %g", n, at, now.TravelMM+f.HoldMM)
		}
		end := 0.0
		for _, s := range p.Series {
			for _, v := range s.Samples {
				end = max(end, v.X*1000)
				if s.Samples[0].Max > s.Samples[0].Min && v.X*1000 <= at && (v.Max > 3+1e-6 || v.Min < -3-1e-6) {
					t.Errorf("of %d readings: the band leaves the limit at %g m, before the hold at %g mm", n, v.X, at)
				}
			}
		}
		if end < at {
			t.Errorf("of %d readings: the picture ends at %g mm, before the hold at %g mm", n, end, at)
		}
		if len(p.Spans) != 1 || !p.Spans[0].Hatched || math.Abs((p.Spans[0].To-p.Spans[0].From)*1000-700) > 1e-6 || p.Spans[0].From*1000 != now.TravelMM {
			t.Errorf("uncertain travel is drawn as %+v", p.Spans)
		}
		if p.YSpan[1] < 3 || p.YSpan[0] > -3 {
			t.Errorf("the limits are not in the picture: %v", p.YSpan)
		}
	}
}

// A reading far out is drawn at the edge, and rules no axis.
func TestDriftWithAReadingFarOut(t *testing.T) {
	readings := []belt.Reading{read(1000, 0.1), read(3000, 0.4), read(6000, 80), read(9000, 1.3)}
	o := belt.Outlook{LimitMM: 3, WorstMMPerM: 0.5}
	f := o.Forecast(readings, readings[3])
	if p := Drift(o, readings, readings[3], &f, 0); p.YSpan[1] > 9 || len(p.Spans) != 0 {
		t.Errorf("%v %v", p.YSpan, p.Spans)
	}
	if p := Drift(o, nil, belt.Reading{}, &f, 0); len(p.Series) != 0 || p.Empty == "" {
		t.Error("without a reading it draws one")
	}
}
