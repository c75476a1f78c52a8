package quality_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"beltwarden/supervisor/quality"
)

const week = 7 * 24 * time.Hour

// remission is the 6-MP arm of the leukaemia remission data of Blood 21 (1963) 699-716,
// in weeks, as textbooks on survival analysis print it; the results too. From memory.
var remission = []quality.Held{
	{6 * week, true}, {6 * week, true}, {6 * week, true}, {6 * week, false}, {7 * week, true}, {9 * week, false}, {10 * week, true},
	{10 * week, false}, {11 * week, false}, {13 * week, true}, {16 * week, true}, {17 * week, false}, {19 * week, false}, {20 * week, false},
	{22 * week, true}, {23 * week, true}, {25 * week, false}, {32 * week, false}, {32 * week, false}, {34 * week, false}, {35 * week, false},
}

func TestSurvivalsAgreeWithThePrintedExample(t *testing.T) {
	want := []struct {
		weeks        time.Duration
		risk, gone   int
		fraction, se float64
		low, high    float64
	}{
		{6, 21, 3, 0.8571, 0.0764, 0.6197, 0.9516}, {7, 17, 1, 0.8067, 0.0869, 0.5631, 0.9228}, {10, 15, 1, 0.7529, 0.0963, 0.5032, 0.8894},
		{13, 12, 1, 0.6902, 0.1068, 0.4316, 0.8491}, {16, 11, 1, 0.6275, 0.1141, 0.3675, 0.8049}, {22, 7, 1, 0.5378, 0.1282, 0.2678, 0.7468},
		{23, 6, 1, 0.4482, 0.1346, 0.1881, 0.6801},
	}
	shuffled := append([]quality.Held(nil), remission...)
	rand.New(rand.NewPCG(1, 1)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	got, err := quality.Survivals(shuffled, 0.95)
	if err != nil || len(got) != len(want) {
		t.Fatalf("%+v, %v", got, err)
	}
	for i, w := range want {
		g := got[i]
		if g.At != w.weeks*week || g.AtRisk != w.risk || g.Detached != w.gone {
			t.Errorf("step %d is %+v, want %+v", i, g, w)
		}
		near(t, "fraction", g.Fraction, w.fraction, 6e-5)
		near(t, "standard error", g.SE, w.se, 6e-5)
		near(t, "interval from", g.Interval.Low, w.low, 6e-5)
		near(t, "interval to", g.Interval.High, w.high, 6e-5)
	}
}

func TestSurvivalsAtTheEnds(t *testing.T) {
	if got, err := quality.Survivals(nil, 0.95); err != nil || got != nil {
		t.Errorf("no parts: %v, %v", got, err)
	}
	got, err := quality.Survivals([]quality.Held{{time.Hour, true}, {2 * time.Hour, true}}, 0.95)
	if err != nil || len(got) != 2 || got[1].Fraction != 0 || got[1].Interval.Low != 0 || got[1].Interval.High != got[0].Interval.High {
		t.Errorf("none left: %+v, %v", got, err)
	}
	if _, err := quality.Survivals([]quality.Held{{-time.Second, true}}, 0.95); err == nil {
		t.Error("a negative time was taken")
	}
	for _, c := range []float64{0, 1, math.NaN()} {
		if _, err := quality.Survivals(remission, c); err == nil {
			t.Errorf("a confidence of %g was taken", c)
		}
	}
}

func TestHoldOn(t *testing.T) {
	held := func(n int, d time.Duration) (parts []quality.Held) {
		for range n {
			parts = append(parts, quality.Held{For: d})
		}
		return parts
	}
	hour := time.Hour
	for _, c := range []struct {
		name  string
		parts []quality.Held
		p     float64
		want  time.Duration
	}{
		{"nothing seen", nil, 0.9, 0},
		{"28 that held show less than 0.9 (0.05^(1/28) = 0.8985)", held(28, hour), 0.9, 0},
		{"29 that held show 0.9 (0.05^(1/29) = 0.9019)", held(29, hour), 0.9, hour},
		{"only the 29 longest count for their time", append(held(20, 2*hour), held(29, hour)...), 0.9, hour},
		{"until just before many come off", append(append(held(40, 2*hour), quality.Held{90 * time.Minute, true}, quality.Held{90 * time.Minute, true}, quality.Held{90 * time.Minute, true}), held(3, hour)...), 0.9, 90*time.Minute - 1},
		{"one of 200 that came off early", append(held(200, 2*hour), quality.Held{time.Minute, true}), 0.9, 2 * hour},
		{"a part that came off at once", append(held(5, hour), quality.Held{0, true}), 0.9, 0},
	} {
		got, err := quality.HoldTime(c.parts, c.p, 0.95)
		if err != nil || got != c.want {
			t.Errorf("%s: %v, %v; want %v", c.name, got, err, c.want)
		}
	}
	for _, c := range [][2]float64{{0, 0.95}, {1, 0.95}, {0.9, 0.5}, {0.9, 1}, {math.NaN(), 0.95}} {
		if _, err := quality.HoldTime(remission, c[0], c[1]); err == nil {
			t.Errorf("%v was taken", c)
		}
	}
}
