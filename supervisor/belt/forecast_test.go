package belt

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func usualOutlook() Outlook { return Outlook{LimitMM: 3, WorstMMPerM: 0.05} }

// readingsOf gives one reading every stepMM along a line, with a pattern of errors.
func readingsOf(n int, stepMM, perM float64, errors ...float64) []Reading {
	var list []Reading
	for i := range n {
		r := Reading{TravelMM: float64(i) * stepMM}
		r.OffsetMM = perM * r.TravelMM / 1000
		if len(errors) > 0 {
			r.OffsetMM += errors[i%len(errors)]
		}
		list = append(list, r)
	}
	return list
}

// With travel alone the estimates are plain least squares: NIST StRD Norris, in order
// of travel, by the certified values; the travel to a limit follows from them.
func TestForecastIsPlainRegression(t *testing.T) {
	x, y := dataset(t, "norris")
	var list []Reading
	for i := range x {
		list = append(list, Reading{TravelMM: x[i], OffsetMM: y[i]})
	}
	Sort(list)
	o := Outlook{LimitMM: 2000, WorstMMPerM: 2000}
	f := o.Forecast(list, Reading{TravelMM: 500})
	if f.N != 36 || len(f.Flagged) != 0 || f.ChangedAtMM != nil || f.Drive != ByTravel || f.Basis != OnReadings {
		t.Fatalf("not all of it was used: %+v", f)
	}
	certified(t, "rate", *f.RateMMPerM, 1002.11681802045)
	certified(t, "residual SD", *f.ResidualSDMM, 0.884796396144373)
	if math.Abs(*f.OffsetMM-500.796085936) > 1e-6 {
		t.Errorf("offset at 500: %.9f", *f.OffsetMM)
	}
	// The intervals of the plain fit, derived from the certified values by the formulas of the NIST/SEMATECH
	// e-Handbook 4.5.1 (from memory): ours hold them, and are wider, since the belt
	// may not go by a line.
	wider := func(what string, got [2]float64, low, high float64) {
		t.Helper()
		if w := (got[1] - got[0]) / (high - low); w < 1 || w > 6 || got[0] > low || got[1] < high {
			t.Errorf("%s: %v, and by the plain fit %g to %g", what, got, low, high)
		}
	}
	wider("offset", *f.Offset95MM, 500.488196, 501.103975)
	wider("rate", *f.Rate95MMPerM, 1001.2433657, 1002.9902703)
	if want := (2000 + 0.262323073774029) / 1.00211681802045; math.Abs(*f.TravelToLimitMM-(want-500)) > 1e-6 {
		t.Errorf("travel to the limit: %g, want %g", *f.TravelToLimitMM, want-500)
	}
	if b := f.TravelToLimitLower95MM; !(b > 0.99**f.TravelToLimitMM && b < *f.TravelToLimitMM) {
		t.Errorf("with 36 readings the bound %g is not close below %g", b, *f.TravelToLimitMM)
	}
}

// Few readings are shown for what they are.
func TestForecastWithFewReadings(t *testing.T) {
	o := usualOutlook()
	now := Reading{TravelMM: 10000}
	f := o.Forecast(nil, now)
	if f.N != 0 || f.OffsetMM != nil || f.Basis != OnWorstRate || f.HoldMM != 50000 { // 3 mm at 0.05 mm/m are 60 m
		t.Errorf("no reading: %+v", f)
	}
	f = o.Forecast([]Reading{{TravelMM: 10000, OffsetMM: -1}}, now)
	if f.N != 1 || *f.OffsetMM != -1 || f.RateMMPerM != nil || f.Basis != OnWorstRate || math.Abs(f.HoldMM-40000) > 1e-6 {
		t.Errorf("one: %+v", f)
	}
	f = o.Forecast([]Reading{{TravelMM: 0}, {TravelMM: 10000, OffsetMM: 0.1}}, now)
	if f.N != 2 || f.RateMMPerM == nil || f.Rate95MMPerM != nil || f.Basis != OnReadings {
		t.Errorf("two: %+v", f)
	}
	if wide := f.TravelToLimitLower95MM; wide >= *f.TravelToLimitMM/3 {
		t.Errorf("two readings give a bound of %g for an estimate of %g", wide, *f.TravelToLimitMM)
	}
	// Three on one line by chance do not show the offset to a hundredth, or the rate.
	three := []Reading{{}, {TravelMM: 5000, OffsetMM: 0.5}, {TravelMM: 10000, OffsetMM: 1}}
	f = o.Forecast(three, now)
	if i, r := f.Offset95MM, f.Rate95MMPerM; i == nil || i[0] > 0.8 || i[1] < 1.2 || r[0] > 0.09 || r[1] < 0.11 {
		t.Errorf("three on a line: %v and %v", i, r)
	}
	same := []Reading{{TravelMM: 5000, OffsetMM: 0.1}, {TravelMM: 5000, OffsetMM: 0.2}}
	if f = o.Forecast(same, now); f.Basis != OnWorstRate {
		t.Errorf("two at one place make no rate: %+v", f)
	}
	if f = o.Forecast([]Reading{{TravelMM: 10000, OffsetMM: 3.1}}, now); f.HoldMM != 0 {
		t.Errorf("beyond the limit: %+v", f)
	}
}

// More readings of the same belt make the bound longer, and never longer than the estimate.
func TestMoreReadingsTellMore(t *testing.T) {
	o := usualOutlook()
	before := 0.0
	for _, n := range []int{3, 6, 24} {
		list := readingsOf(n, 20000/float64(n-1), 0.04, 0.1, -0.1, 0)
		f := o.Forecast(list, list[n-1])
		if f.TravelToLimitLower95MM <= before || f.TravelToLimitLower95MM >= *f.TravelToLimitMM {
			t.Errorf("%d readings over the same 20 m: bound %g after %g, estimate %g", n, f.TravelToLimitLower95MM, before, *f.TravelToLimitMM)
		}
		before = f.TravelToLimitLower95MM
	}
}

// The band widens ahead, holds the line, and is as wide as the probability beyond it says.
func TestBand(t *testing.T) {
	o := usualOutlook()
	list := readingsOf(7, 4000, 0.04, 0.1, -0.1, 0.05)
	now := list[6]
	band := o.Band(list, now, []float64{0, 10000, 40000}, 0.9)
	for k, b := range band {
		line := 0.04 * (now.TravelMM + []float64{0, 10000, 40000}[k]) / 1000
		if b[0] >= line || b[1] <= line || k > 0 && b[1]-b[0] <= band[k-1][1]-band[k-1][0] {
			t.Errorf("band %d: %v around %g", k, b, line)
		}
	}
	s := screen(list, Outlook{LimitMM: 3, Scatter: usualScatter})
	at := Reading{TravelMM: now.TravelMM + 40000}
	m := s.without.predict(at.TravelMM, s.drive.of(at), false)
	if p := m.below(band[2][0]); math.Abs(p-0.05) > 1e-3 {
		t.Errorf("probability %g below the band", p)
	}
	if o.Band(nil, now, []float64{0}, 0.9) != nil || o.Band(list[:1], now, []float64{0}, 0.9) != nil {
		t.Error("a band without a rate")
	}
}

// A digit slipped: 13 for 1.3. It is flagged, and does not spoil what the others say;
// while it is the newest it counts for the bound, since the belt may have jumped.
func TestMistypedReading(t *testing.T) {
	o := usualOutlook()
	clean := readingsOf(9, 4000, 0.04, 0.1, -0.1, 0)
	now := clean[8]
	want := o.Forecast(clean, now)
	for at := 4; at < 8; at++ {
		list := append([]Reading{}, clean...)
		list[at].OffsetMM *= 10
		f := o.Forecast(list, now)
		if len(f.Flagged) != 1 || f.Flagged[0].Index != at || f.Flagged[0].Newest || f.N != 8 {
			t.Fatalf("reading %d: %+v", at, f)
		}
		if math.Abs(*f.RateMMPerM-*want.RateMMPerM) > 0.01 {
			t.Errorf("reading %d: rate %g, without the slip %g", at, *f.RateMMPerM, *want.RateMMPerM)
		}
		if !strings.Contains(f.Flagged[0].String(), "does not fit") {
			t.Error(f.Flagged[0])
		}
	}
	list := append([]Reading{}, clean...)
	list[8].OffsetMM = 13.2
	f := o.Forecast(list, now)
	if len(f.Flagged) != 1 || !f.Flagged[0].Newest || f.HoldMM != 0 {
		t.Errorf("the newest: %+v", f)
	}
	if math.Abs(*f.RateMMPerM-0.04) > 0.01 {
		t.Errorf("the newest: rate %g", *f.RateMMPerM)
	}
}

// A roller is pushed: from there on the belt drifts otherwise, and what was before no
// longer counts.
func TestChangeOfRate(t *testing.T) {
	o := usualOutlook()
	list := readingsOf(8, 4000, 0.01, 0.1, -0.1, 0)
	for i := range 6 {
		last := list[len(list)-1]
		list = append(list, Reading{TravelMM: last.TravelMM + 4000, OffsetMM: last.OffsetMM - 0.8 + 0.1*float64(i%2)})
	}
	f := o.Forecast(list, list[len(list)-1])
	if f.ChangedAtMM == nil || math.Abs(*f.ChangedAtMM-32000) > 4000 {
		t.Fatalf("not recognised: %+v", f)
	}
	if math.Abs(*f.RateMMPerM+0.19) > 0.02 {
		t.Errorf("rate %g", *f.RateMMPerM)
	}
}

// Jobs with different ratios of advance to travel tell what the drift goes with; one
// job alone does not, and travel it is.
func TestDrive(t *testing.T) {
	o := usualOutlook()
	for _, c := range []struct {
		perTravel, perAdvance float64
		inStep                bool
		want                  Drive
	}{{0.05, 0, false, ByTravel}, {0, 0.8, false, ByAdvance}, {-0.06, 0.9, false, ByBoth}, {0.02, 0.8, true, ByTravel}} {
		rng := rand.New(rand.NewPCG(1, 2))
		var list []Reading
		var r Reading
		for i := range 16 {
			ratio := 0.05
			if i%4 > 1 && !c.inStep {
				ratio = 0.4
			}
			r.TravelMM += 3000
			r.AdvanceMM += 3000 * ratio
			r.OffsetMM = (c.perTravel*r.TravelMM+c.perAdvance*r.AdvanceMM)/1000 + 0.05*rng.NormFloat64()
			list = append(list, r)
		}
		o.AdvancePerTravel = 0.4
		f := o.Forecast(list, r)
		if f.Drive != c.want {
			t.Errorf("%+v: drive %q", c, f.Drive)
		}
		if want := c.perTravel + 0.4*c.perAdvance; !c.inStep && math.Abs(*f.RateMMPerM-want) > 0.02 {
			t.Errorf("%+v: rate %g ahead, want %g", c, *f.RateMMPerM, want)
		}
	}
}

// Whatever is read, the forecast is a number that can be used, and mirrored readings
// give the same bounds.
func TestForecastProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 20).Draw(t, "n")
		var list, mirrored []Reading
		at := 0.0
		for range n {
			at += rapid.Float64Range(0, 30000).Draw(t, "gap")
			r := Reading{TravelMM: at, AdvanceMM: at * 0.1, OffsetMM: rapid.Float64Range(-4, 4).Draw(t, "offset")}
			list = append(list, r)
			r.OffsetMM = -r.OffsetMM
			mirrored = append(mirrored, r)
		}
		o := usualOutlook()
		now := Reading{TravelMM: at + rapid.Float64Range(0, 5000).Draw(t, "since")}
		now.AdvanceMM = now.TravelMM * 0.1
		f, g := o.Forecast(list, now), o.Forecast(mirrored, now)
		if !(f.HoldMM >= 0) || !(f.TravelToLimitLower95MM >= 0) || math.IsInf(f.HoldMM, 0) || math.IsInf(f.TravelToLimitLower95MM, 0) {
			t.Fatalf("%+v", f)
		}
		if math.Abs(f.HoldMM-g.HoldMM) > 1+f.HoldMM*1e-3 {
			t.Fatalf("hold %g, mirrored %g", f.HoldMM, g.HoldMM)
		}
		if _, err := json.Marshal(f); err != nil {
			t.Fatal(err)
		}
		o.LimitMM = 2
		if h := o.Forecast(list, now); h.TravelToLimitLower95MM > f.TravelToLimitLower95MM+1 {
			t.Fatalf("a closer limit is reached later: %g, %g", h.TravelToLimitLower95MM, f.TravelToLimitLower95MM)
		}
	})
}

// A forecast takes under a millisecond with 10,000 checks: its cost is that of the
// newest, and of plain sums over the others.
func BenchmarkForecast(b *testing.B) {
	for _, n := range []int{3, 10, 30, 100, 1000, 10000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			list := readingsOf(n, 2000, 0.001, 0.1, -0.15, 0.05, 0.2, -0.1)
			o := usualOutlook()
			b.ReportAllocs()
			for b.Loop() {
				o.Forecast(list, list[n-1])
			}
		})
	}
}
