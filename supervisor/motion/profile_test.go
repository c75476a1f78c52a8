package motion

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Profile is the speed over one move: up to a peak, along it, and down.
type Profile struct {
	EntryMMPerS, PeakMMPerS, ExitMMPerS float64
	UpS, CruiseS, DownS                 float64
}

// TotalS is the time of the whole move.
func (p Profile) TotalS() float64 { return p.UpS + p.CruiseS + p.DownS }

// Trapezoid is the fastest profile over a length from one speed to another, with a
// cruising speed and accelerations up and down. Where the length does not allow the
// cruising speed it is a triangle, with v² = (2D + v0²/a + v1²/b) / (1/a + 1/b)
// (constant acceleration). An exit speed that cannot be reached from the entry is
// moved to what can.
func Trapezoid(lengthMM, upMMPerS2, downMMPerS2, cruiseMMPerS, entryMMPerS, exitMMPerS float64) Profile {
	a, b := upMMPerS2, downMMPerS2
	p := Profile{EntryMMPerS: entryMMPerS, ExitMMPerS: exitMMPerS}
	p.ExitMMPerS = min(p.ExitMMPerS, math.Sqrt(entryMMPerS*entryMMPerS+2*a*lengthMM))
	if least := entryMMPerS*entryMMPerS - 2*b*lengthMM; p.ExitMMPerS*p.ExitMMPerS < least {
		p.ExitMMPerS = math.Sqrt(least)
	}
	entry2, exit2 := p.EntryMMPerS*p.EntryMMPerS, p.ExitMMPerS*p.ExitMMPerS
	triangle := math.Sqrt((2*lengthMM + entry2/a + exit2/b) / (1/a + 1/b))
	p.PeakMMPerS = max(min(cruiseMMPerS, triangle), p.EntryMMPerS, p.ExitMMPerS)
	p.UpS, p.DownS = (p.PeakMMPerS-p.EntryMMPerS)/a, (p.PeakMMPerS-p.ExitMMPerS)/b
	peak2 := p.PeakMMPerS * p.PeakMMPerS
	if rest := lengthMM - (peak2-entry2)/(2*a) - (peak2-exit2)/(2*b); rest > 0 && p.PeakMMPerS > 0 {
		p.CruiseS = rest / p.PeakMMPerS
	}
	return p
}

// speedAt is the speed at a moment of a profile.
func speedAt(p Profile, up, down, t float64) float64 {
	switch {
	case t < p.UpS:
		return p.EntryMMPerS + up*t
	case t < p.UpS+p.CruiseS:
		return p.PeakMMPerS
	}
	return p.PeakMMPerS - down*(t-p.UpS-p.CruiseS)
}

// At every point of every move each axis keeps its limits of speed and acceleration,
// the move covers its length, and one move ends at the speed at which the next begins.
func TestLimitsHoldEverywhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := limits(Limits{SpeedMMPerS: [Axes]float64{120, 90, 8, 40}, AccelMMPerS2: [Axes]float64{900, 600, 60, 3000}})
		var moves []Move
		for _, m := range drawMoves(t, MaxLookAhead) {
			if m.PathMM > 0 {
				moves = append(moves, m)
			}
		}
		_, entry, plan := byHand(l, moves)
		for i, q := range plan {
			p := Trapezoid(q.lengthMM, q.accel, q.accel, q.cruise, entry[i], entry[i+1])
			// Speeds come of their squares: near a stop, what a square loses to rounding is much of a speed.
			if math.Abs(p.ExitMMPerS*p.ExitMMPerS-entry[i+1]*entry[i+1]) > 1e-12*(1+p.PeakMMPerS*p.PeakMMPerS) {
				t.Fatalf("move %d ends at %g mm/s, the next begins at %g", i, p.ExitMMPerS, entry[i+1])
			}
			const steps = 40
			total := p.TotalS()
			for k := range steps {
				at := total * (float64(k) + 0.5) / steps
				v := speedAt(p, q.accel, q.accel, at)
				if m := moves[i].SpeedMMPerS; v > m*(1+1e-9) {
					t.Fatalf("move %d runs at %g mm/s, %g were asked for", i, v, m)
				}
				for a := range Axes {
					share := math.Abs(moves[i].DeltaMM[a]) / moves[i].PathMM
					if v*share > l.SpeedMMPerS[a]*(1+1e-9) || q.accel*share > l.AccelMMPerS2[a]*(1+1e-9) {
						t.Fatalf("move %d: axis %d at %g mm/s and %g mm/s²", i, a, v*share, q.accel*share)
					}
				}
			}
			covered := (p.EntryMMPerS+p.PeakMMPerS)/2*p.UpS + p.PeakMMPerS*p.CruiseS + (p.PeakMMPerS+p.ExitMMPerS)/2*p.DownS
			if math.Abs(covered-q.lengthMM) > 1e-6*(1+q.lengthMM) {
				t.Fatalf("move %d covers %g mm of %g", i, covered, q.lengthMM)
			}
			if q.accel > l.accel(moves[i].Kind)*(1+1e-9) {
				t.Fatalf("move %d accelerates with %g", i, q.accel)
			}
		}
	})
}

// A straight line in any number of pieces, no more than the board looks ahead, takes
// as long as in one.
func TestAnyPiecesOfALine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := limits(Limits{LookAhead: MaxLookAhead})
		x, y := rapid.Float64Range(-80, 80).Draw(t, "x"), rapid.Float64Range(1, 80).Draw(t, "y")
		feed := rapid.Float64Range(1, 300).Draw(t, "feed")
		n := rapid.IntRange(1, MaxLookAhead).Draw(t, "n")
		cuts := make([]float64, n)
		sum := 0.0
		for i := range cuts {
			cuts[i] = rapid.Float64Range(0.01, 1).Draw(t, "piece")
			sum += cuts[i]
		}
		var pieces []Move
		for _, c := range cuts {
			pieces = append(pieces, straight(x*c/sum, y*c/sum, 0, 0, feed, Travel))
		}
		one := total(l, []Move{straight(x, y, 0, 0, feed, Travel)})
		if got := total(l, pieces); math.Abs(got-one) > 1e-9*(1+one) {
			t.Fatalf("%.12f s in %d pieces, %.12f s in one", got, n, one)
		}
	})
}
