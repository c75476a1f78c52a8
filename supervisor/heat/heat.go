// Package heat learns how quickly one heater of this machine warms and cools from the temperatures
// that the board reports, computes how long a change will take, and decides whether a heater may be
// on ([Guard]).
//
// The body is modelled as first order, by Newton's law of cooling: dT/dt = (End - T)/Tau, so that
// T(t) = End + (T0 - End) exp(-t/Tau). End is what the temperature tends to: the surroundings with
// the heater off, and far above any target with it fully on. Both are learned separately, since a
// fan that runs in one of them changes Tau.
package heat

import (
	"math"
	"time"
)

// Drive is what the heater does.
type Drive uint8

// Drives of a heater. Only Full and Off say something about the body alone.
const (
	Part Drive = iota // neither: held at its target, or unknown
	Full              // fully on
	Off               // off
)

// How much must have been seen before a change is predicted.
const (
	// EnoughSpans is how many warmings, or coolings, must have been seen.
	EnoughSpans = 2
	// spanC and spanReadings are the smallest span that counts, degrees and readings.
	spanC        = 12
	spanReadings = 8
	// beyond is how far outside the temperatures seen the law is trusted, as a share of their
	// range.
	beyond = 0.25
	// roomSD is the standard deviation, degrees, between what a body cools towards and what its
	// sensor read when it was cold: the frame has warmed up, or the room has changed. Common
	// practice, no source.
	roomSD = 3
	// nearRoomC: this close to what it cools towards no single time is given, since one degree is a
	// large share of the way.
	nearRoomC = 10
	// keep is the weight of older evidence after each further span: five spans after a change of
	// the machine it weighs a sixth.
	keep = 0.7
)

// Curve is what was learned of one drive. It is a plain value. Its sums are centred within each
// span, so that spans that begin at different temperatures add up.
type Curve struct {
	Spans    int     `json:"spans"`    // seen, counted to 1000
	Readings float64 `json:"readings"` // by weight
	LowC     float64 `json:"low_c"`    // range of what was seen, degrees Celsius
	HighC    float64 `json:"high_c"`
	Sums     Sums    `json:"sums_above_ambient"`
	// Misfit is the sum of squared differences between readings and the curve of their own span,
	// weighted, and Free their degrees of freedom.
	Misfit float64 `json:"misfit"`
	Free   float64 `json:"free"`
}

// Sums are products of deviations from the mean over a span's readings: of time t (s), of the
// integral i of temperature above ambient over time (K s), and of temperature c (K).
type Sums struct {
	TT float64 `json:"tt"`
	TI float64 `json:"ti"`
	II float64 `json:"ii"`
	TC float64 `json:"tc"`
	IC float64 `json:"ic"`
	CC float64 `json:"cc"`
}

// Own is what coolings show of Tau, each with an End of its own: products with time regressed out,
// and how far each End lies from the ambient that was seen for certain before it: End - ambient =
// Tau g + h. Newest is the last one, relative to ambient.
type Own struct {
	II     float64 `json:"ii"`
	IC     float64 `json:"ic"`
	GG     float64 `json:"gg"`
	GH     float64 `json:"gh"`
	Sure   float64 `json:"sure"` // coolings with such an ambient, by weight
	Newest Sums    `json:"newest"`
	// Fresh: since then the body was neither cold for long nor unobserved.
	Fresh bool `json:"-"`
}

// Law is one solved curve.
type Law struct {
	EndC float64 // what the temperature tends to
	TauS float64 // time constant, seconds: 63 % of the way
	// NoiseC is the standard deviation of a reading about the curve.
	NoiseC float64

	endSD, rateSD float64 // standard errors of EndC and of 1/TauS
}

// refC is the zero of a span's integral while it runs. Any value works; one amid the temperatures
// keeps the sums small.
const refC = 100

// assumedC is the ambient temperature if none was seen.
const assumedC = 20

// minNoiseC is the finest resolution of boards' reports.
const minNoiseC = 0.05

// solve fits c = a t - b i + const, which is the law integrated over time: b is 1/Tau and a is
// End/Tau. The integral averages out noise and coarse steps, which dominate a slope between two
// readings.
func (s *Sums) solve() (a, b float64, ok bool) {
	det := s.TT*s.II - s.TI*s.TI
	if !(det > 1e-12*s.TT*s.II) {
		return 0, 0, false
	}
	a = (s.TC*s.II - s.IC*s.TI) / det
	b = (s.TC*s.TI - s.IC*s.TT) / det
	return a, b, !math.IsNaN(a) && !math.IsNaN(b)
}

// misfit is the sum of squared residuals of the best fit.
func (s *Sums) misfit(a, b float64) float64 { return max(0, s.CC-a*s.TC+b*s.IC) }

func (s *Sums) add(o Sums, weight float64) {
	s.TT, s.TI, s.II = s.TT*weight+o.TT, s.TI*weight+o.TI, s.II*weight+o.II
	s.TC, s.IC, s.CC = s.TC*weight+o.TC, s.IC*weight+o.IC, s.CC*weight+o.CC
}

// shiftZero makes the integral count from a temperature lower by this many degrees.
func (s *Sums) shiftZero(by float64) {
	s.II += by*2*s.TI + by*by*s.TT
	s.TI += by * s.TT
	s.IC += by * s.TC
}

func (c *Curve) noise() float64 {
	if c.Free > 0 {
		return max(minNoiseC, math.Sqrt(c.Misfit/c.Free))
	}
	return minNoiseC
}

// add adds a cooling that counts from ambient. sure: the ambient was seen for certain.
func (o *Own) add(s Sums, sure bool) {
	o.II, o.IC = o.II*keep+s.II-s.TI*s.TI/s.TT, o.IC*keep+s.IC-s.TI*s.TC/s.TT
	o.GG, o.GH, o.Sure = o.GG*keep, o.GH*keep, o.Sure*keep
	if sure {
		g, h := s.TC/s.TT, s.TI/s.TT
		o.GG, o.GH, o.Sure = o.GG+g*g, o.GH+g*h, o.Sure+1
	}
	o.Newest, o.Fresh = s, true
}

// solve returns the law of cooling from readings with this noise. Tau is fitted to all spans, each
// with an End of its own near the ambient seen before it; End is that of the newest span, shifted
// by how much warmer the room is now. False if neither shows Tau.
func (o *Own) solve(ambientC, noise float64) (Law, bool) {
	off := func(logB float64) float64 { // sum of squared deviations, in standard deviations
		b := math.Exp(logB)
		return (2*b*o.IC+b*b*o.II)/(noise*noise) + (o.GG/(b*b)+2*o.GH/b)/(roomSD*roomSD)
	}
	low, high := math.Log(minRate), math.Log(maxRate)
	for range 60 { // golden section
		third := (high - low) * (3 - math.Sqrt(5)) / 2
		if off(low+third) < off(high-third) {
			high -= third
		} else {
			low += third
		}
	}
	at := (low + high) / 2
	const step = 0.01
	bend := (off(at+step) - 2*off(at) + off(at-step)) / (step * step) / 2
	s := &o.Newest
	if !(s.TT > 0) || at < math.Log(minRate)+step || at > math.Log(maxRate)-step || !(bend > 1/(looseTau*looseTau)) {
		return Law{}, false
	}
	b := math.Exp(at)
	l := Law{EndC: ambientC + s.TC/s.TT/b + s.TI/s.TT, TauS: 1 / b, NoiseC: noise}
	l.rateSD = b / math.Sqrt(bend)
	l.endSD = math.Hypot(noise/b/math.Sqrt(s.TT), s.TC/s.TT/(b*b)*l.rateSD)
	return l, true
}

// A body cools with a time constant of 5 seconds to a day. One known to no better than a quarter
// counts as unknown.
const (
	minRate  = 1. / 86400
	maxRate  = 1. / 5
	looseTau = 0.25
)

// warmingLaw returns the law of warming, whose End lies at one height above ambient. False before
// this many spans, and if they were too short or too coarse to show a bend.
func (c *Curve) warmingLaw(ambientC float64, spans int) (Law, bool) {
	a, b, ok := c.Sums.solve()
	if c.Spans < max(1, spans) || !ok || b <= 0 {
		return Law{}, false
	}
	noise := c.noise()
	l := Law{EndC: a/b + ambientC, TauS: 1 / b, NoiseC: noise}
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

// Takes returns how long it takes from fromC to toC; false if the law does not lead there, or only
// within the uncertainty of its end.
func (l Law) Takes(fromC, toC float64) (time.Duration, bool) {
	left, way := toC-l.EndC, fromC-l.EndC
	if left*way <= 0 || math.Abs(left) > math.Abs(way) || math.Abs(left) < max(2*l.endSD, 1) && fromC != toC {
		return 0, false
	}
	if s := l.TauS * math.Log(way/left); math.IsNaN(s) || s > 1e6 {
		return 0, false
	}
	return l.takes(fromC, toC), true
}

// takes is Takes for a target that the law is known to reach.
func (l Law) takes(fromC, toC float64) time.Duration {
	return time.Duration(l.TauS * math.Log((fromC-l.EndC)/(toC-l.EndC)) * float64(time.Second))
}

// trusts reports whether a temperature is close enough to those seen.
func (c *Curve) trusts(t float64) bool {
	margin := beyond * (c.HighC - c.LowC)
	return t >= c.LowC-margin && t <= c.HighC+margin
}
