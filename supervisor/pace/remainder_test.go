package pace

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// TestReadyGoesByAttendedHours: what is not done in the evening goes on in the morning.
func TestReadyGoesByAttendedHours(t *testing.T) {
	at := func(h float64) time.Time {
		return time.Date(2000, 1, 3, 0, 0, 0, 0, time.Local).Add(time.Duration(h * float64(time.Hour)))
	}
	for _, r := range []struct {
		from, hours, to float64
		attended        Hours
	}{
		{9, 3, 12, Hours{8 * 60, 18 * 60}},
		{16, 3, 33, Hours{8 * 60, 18 * 60}},
		{6, 1, 9, Hours{8 * 60, 18 * 60}},
		{20, 20, 32 + 34, Hours{8 * 60, 18 * 60}},
		{23, 2, 25, Hours{22 * 60, 6 * 60}},
		{5, 2, 23, Hours{22 * 60, 6 * 60}},
		{5, 50, 55, Hours{}},
	} {
		d := time.Duration(r.hours * float64(time.Hour))
		c := Remainder{Now: at(r.from), Attended: r.attended, Left: 1, Takes: Interval{d, d, d}, Good: 1e9, Scrap: 1}
		if got, scrap := c.Ready(); (got.Median-at(r.to).Sub(at(r.from))).Abs() > time.Minute || scrap != 0 {
			t.Errorf("%g h from %g o'clock, attended %v: %v, %d for scrap", r.hours, r.from, r.attended, got, scrap)
		}
	}
}

// TestScrapIsMadeAgain: parts made for scrap until there are so many good ones follow the
// negative binomial distribution, wherever they are found.
func TestScrapIsMadeAgain(t *testing.T) {
	for _, yield := range []float64{0.6, 0.9, 0.99} {
		const wanted = 100
		want, chance, sum := 0, math.Pow(yield, wanted), 0.0
		for sum += chance; sum < 0.5; sum += chance {
			want++
			chance *= (1 - yield) * float64(wanted+want-1) / float64(want)
		}
		all := 100 * time.Hour
		c := Remainder{Left: wanted, Takes: Interval{all, all, all}, Each: time.Hour, Good: 1e9 * yield, Scrap: 1e9 * (1 - yield)}
		stops := c
		stops.Left, stops.NotLookedAt, stops.Stops, stops.Before = wanted-30, 30, 3, 60
		for _, c := range []Remainder{c, stops} {
			d, scrap := c.Ready()
			if off := scrap - want; off < -1 || off > 1 {
				t.Errorf("yield %g, %d unlooked: %d for scrap, want %d", yield, c.NotLookedAt, scrap, want)
			}
			if d.Median != all+time.Duration(scrap)*time.Hour {
				t.Errorf("yield %g, %d unlooked, %d for scrap: %v", yield, c.NotLookedAt, scrap, d)
			}
		}
	}
}

// TestStopsTakeAsLongAsBefore: where all have come after ten minutes, a stop takes ten.
func TestStopsTakeAsLongAsBefore(t *testing.T) {
	hour := time.Hour
	c := Remainder{Left: 1, Takes: Interval{hour, hour, hour}, Good: 1e9, Scrap: 1, Waits: slices.Repeat([]time.Duration{10 * time.Minute}, 200)}
	for _, k := range []struct {
		stops  int
		held   bool
		waited time.Duration
		more   time.Duration
	}{{0, false, 0, 0}, {3, false, 0, 30 * time.Minute}, {0, true, 4 * time.Minute, 6 * time.Minute}, {2, true, 9 * time.Minute, 21 * time.Minute}, {0, true, 20 * time.Minute, 20 * time.Minute}} {
		c.Stops, c.Held, c.Waited = k.stops, k.held, k.waited
		if d, _ := c.Ready(); d.Median != hour+k.more {
			t.Errorf("%d stops, held %t for %v: %v", k.stops, k.held, k.waited, d)
		}
	}
	c.Waits = nil
	if d, _ := c.Ready(); d.Median != hour {
		t.Errorf("no waits are known, and yet it waits: %v", d)
	}
}

// TestBinomial compares mean and variance with the closed form, for few parts and for many.
func TestBinomial(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		n int
		p float64
	}{{0, 0.5}, {5, 0}, {5, 1}, {7, 0.3}, {40, 0.1}, {99, 0.9}, {1000, 0.004}, {1000, 0.2}} {
		const draws = 20000
		sum, squares := 0.0, 0.0
		for range draws {
			k := float64(binomial(r, c.n, c.p))
			sum, squares = sum+k, squares+k*k
		}
		mean, want := sum/draws, float64(c.n)*c.p
		variance := squares/draws - mean*mean
		if d := mean - want; d*d > 25*(want*(1-c.p)+1e-9)/draws || variance > 1.1*want*(1-c.p)+1e-9 || variance < 0.9*want*(1-c.p) {
			t.Errorf("of %d with %g: mean %g, variance %g; want %g and %g", c.n, c.p, mean, variance, want, want*(1-c.p))
		}
	}
}
