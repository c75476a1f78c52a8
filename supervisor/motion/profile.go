package motion

import "math"

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
