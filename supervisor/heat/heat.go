// Package heat learns how quickly one heater of this machine warms and cools, from
// the temperatures that the board reports, and says how long a change will take.
//
// The body is taken for one of first order, as Newton's law of cooling has it:
// dT/dt = (End - T)/Tau, so that T(t) = End + (T0 - End) exp(-t/Tau). End is what
// the temperature tends to: the surroundings with the heater off, and far above
// any target with it fully on. Both are learned apart, since a fan that runs in
// one of them changes Tau.
package heat

import (
	"math"
	"time"
)

// Drive is what the heater does.
type Drive uint8

// Drives of a heater. Only the first two say something of the body alone.
const (
	Part Drive = iota // neither: held at its target, or not known
	Full              // fully on
	Off               // off
)

// What a change must show before anything is said of the next one.
const (
	// EnoughSpans is how many warmings, or coolings, must have been seen.
	EnoughSpans = 2
	// spanC and spanReadings are the least of one that counts, degrees and readings.
	spanC        = 12
	spanReadings = 8
	// beyond is how far outside the temperatures seen the law is trusted, as a
	// share of their range.
	beyond = 0.25
	// keep is the weight that older evidence has after each further span: five
	// spans after a change of the machine it weighs a sixth.
	keep = 0.7
)

// Curve is what is learned of one drive. It is a plain value that may be copied,
// compared and kept as JSON. Its sums are centred within each span, so that spans
// that begin at different temperatures add up.
type Curve struct {
	Spans    int     `json:"spans"`    // seen, counted to 1000
	Readings float64 `json:"readings"` // by weight
	LowC     float64 `json:"low_c"`    // range of what was seen, degrees Celsius
	HighC    float64 `json:"high_c"`
	Sums     Sums    `json:"sums"`
	// Misfit is the sum of squared differences between readings and the curve of
	// their own span, by weight, and Free how many readings they are free in.
	Misfit float64 `json:"misfit"`
	Free   float64 `json:"free"`
}

// Sums are products of deviations from the mean over a span's readings: of time
// t (s), of the integral i of temperature over time (K s), and of temperature c (K).
type Sums struct {
	TT float64 `json:"tt"`
	TI float64 `json:"ti"`
	II float64 `json:"ii"`
	TC float64 `json:"tc"`
	IC float64 `json:"ic"`
	CC float64 `json:"cc"`
}

// Law is one solved curve.
type Law struct {
	EndC float64 // what the temperature tends to
	TauS float64 // in this time 63 % of the way is gone, seconds
	// NoiseC is the standard deviation of a reading about the curve.
	NoiseC float64

	endSD, rateSD float64 // standard errors of EndC and of 1/TauS
}

// refC is what integrals count from. Any value does; one amid the temperatures
// keeps the sums small.
const refC = 100

// leastNoiseC stands for the finest scale that boards report in.
const leastNoiseC = 0.05

// solve fits c = a t - b i + const, which is the law integrated over time: b is
// 1/Tau and a is End/Tau. The integral averages noise and coarse steps away, where
// a slope between two readings would be made of them.
func (s *Sums) solve() (a, b float64, ok bool) {
	det := s.TT*s.II - s.TI*s.TI
	if !(det > 1e-12*s.TT*s.II) {
		return 0, 0, false
	}
	a = (s.TC*s.II - s.IC*s.TI) / det
	b = (s.TC*s.TI - s.IC*s.TT) / det
	return a, b, !math.IsNaN(a) && !math.IsNaN(b)
}

// misfit is the sum of squared differences that the best fit leaves.
func (s *Sums) misfit(a, b float64) float64 { return max(0, s.CC-a*s.TC+b*s.IC) }

func (s *Sums) add(o Sums, weight float64) {
	s.TT, s.TI, s.II = s.TT*weight+o.TT, s.TI*weight+o.TI, s.II*weight+o.II
	s.TC, s.IC, s.CC = s.TC*weight+o.TC, s.IC*weight+o.IC, s.CC*weight+o.CC
}

// Law solves the curve; false before [EnoughSpans], and where the spans were too
// short or too coarse to show a bend.
func (c *Curve) Law() (Law, bool) { return c.law(EnoughSpans) }

func (c *Curve) law(spans int) (Law, bool) {
	a, b, ok := c.Sums.solve()
	if c.Spans < max(1, spans) || !ok || b <= 0 {
		return Law{}, false
	}
	noise := leastNoiseC
	if c.Free > 0 {
		noise = max(noise, math.Sqrt(c.Misfit/c.Free))
	}
	l := Law{EndC: a/b + refC, TauS: 1 / b, NoiseC: noise}
	// Covariance of (a, b) is noise² times the inverse of the normal matrix; End is
	// a/b, whose gradient is (1/b, -a/b²).
	s := &c.Sums
	det := s.TT*s.II - s.TI*s.TI
	aa, bb, ab := s.II/det, s.TT/det, s.TI/det
	l.rateSD = noise * math.Sqrt(bb)
	g, h := 1/b, -a/(b*b)
	l.endSD = noise * math.Sqrt(max(0, g*g*aa+2*g*h*ab+h*h*bb))
	return l, true
}

// At returns the temperature that fromC becomes after d.
func (l Law) At(fromC float64, d time.Duration) float64 {
	return l.EndC + (fromC-l.EndC)*math.Exp(-d.Seconds()/l.TauS)
}

// Takes returns how long the way from fromC to toC takes; false where the law does
// not lead there, or where it does so only within the doubt about its end.
func (l Law) Takes(fromC, toC float64) (time.Duration, bool) {
	left, way := toC-l.EndC, fromC-l.EndC
	if left*way <= 0 || math.Abs(left) > math.Abs(way) || math.Abs(left) < max(2*l.endSD, 1) && fromC != toC {
		return 0, false
	}
	s := l.TauS * math.Log(way/left)
	if math.IsNaN(s) || s > 1e6 {
		return 0, false
	}
	return time.Duration(s * float64(time.Second)), true
}

// trusts reports whether a temperature is close enough to what was seen.
func (c *Curve) trusts(t float64) bool {
	margin := beyond * (c.HighC - c.LowC)
	return t >= c.LowC-margin && t <= c.HighC+margin
}
