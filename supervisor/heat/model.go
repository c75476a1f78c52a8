package heat

import (
	"math"
	"time"
)

// Model is what is known of one heater. The zero value knows nothing. It is a plain value: a copy
// does not change.
type Model struct {
	AmbientC   float64 `json:"ambient_c"` // of the surroundings, degrees Celsius
	HasAmbient bool    `json:"has_ambient"`
	// Quiet: it was steady there for long. Otherwise it is the coldest reading so far, and the
	// surroundings may be colder.
	Quiet   bool   `json:"quiet"`
	Warming Curve  `json:"warming"`
	Cooling Curve  `json:"cooling"`
	Own     Own    `json:"own"` // of the coolings
	Duties  Duties `json:"duties"`
}

// HeatUp returns how long the heater, fully on, takes from fromC to toC. It is false before
// [EnoughSpans] warmings of 12 degrees and 8 readings, for a target that the heater does not reach,
// and for one far outside what was seen. A controller that eases into its target takes longer over
// the last degrees.
func (m *Model) HeatUp(fromC, toC float64) (time.Duration, bool) {
	return m.heatUp(fromC, toC, EnoughSpans)
}

func (m *Model) heatUp(fromC, toC float64, spans int) (time.Duration, bool) {
	if fromC >= toC {
		return 0, true
	}
	l, ok := m.Warming.warmingLaw(m.roomC(), spans)
	if !ok || !m.Warming.trusts(fromC) || !m.Warming.trusts(toC) {
		return 0, false
	}
	return l.Takes(fromC, toC)
}

// roomC is the ambient temperature as far as known.
func (m *Model) roomC() float64 {
	if m.HasAmbient {
		return m.AmbientC
	}
	return assumedC
}

// coolingLaw is the law of cooling: after one cooling if the ambient before it was seen for
// certain, otherwise after [EnoughSpans].
func (m *Model) coolingLaw() (Law, bool) {
	if m.Cooling.Spans < EnoughSpans && m.Own.Sure == 0 {
		return Law{}, false
	}
	return m.Own.solve(m.roomC(), m.Cooling.noise())
}

// Cool returns how long the body, its heater off, takes from fromC to toC. It is false as
// [Model.HeatUp] is, and where the body may never get there, but true after one cooling before
// which the ambient was seen for certain.
func (m *Model) Cool(fromC, toC float64) (Wait, bool) {
	if fromC <= toC {
		return Wait{Sure: true}, true
	}
	l, ok := m.coolingLaw()
	if !ok || !m.Cooling.trusts(fromC) || !m.Cooling.trusts(toC) {
		return Wait{}, false
	}
	cold, warm := l, l
	cold.EndC, warm.EndC = l.EndC-2*l.endSD-endWithinC, l.EndC+2*l.endSD+endWithinC
	if !m.Own.Fresh { // its surroundings may have cooled, or changed
		cold.EndC, warm.EndC = min(cold.EndC, m.roomC()-coldWithinC), max(warm.EndC, m.roomC()+coldWithinC)
	}
	low, ok := cold.Takes(fromC, toC)
	high, may := warm.Takes(fromC, toC)
	if !ok || !may {
		return Wait{}, false
	}
	return Wait{low, l.takes(fromC, toC), high, m.Own.Fresh && toC >= max(l.EndC, m.roomC())+nearRoomC}, true
}

// Wait is a predicted time with bounds. Sure: Mid may be shown without them.
type Wait struct {
	Low, Mid, High time.Duration
	Sure           bool
}

// endWithinC is by how much the surroundings change from one part to the next, coldWithinC by
// how much they may differ from what was last seen of them once the body has been cold for long.
// Common practice, no source.
const (
	// endWithinC is how much the surroundings change from one part to the next, coldWithinC how
	// much they may differ from what was last seen once the body has been cold for long. Common
	// practice, no source.
	endWithinC  = 2
	coldWithinC = 8
)

// Cooled returns what fromC has become after d with the heater off.
func (m *Model) Cooled(fromC float64, d time.Duration) (float64, bool) {
	l, ok := m.coolingLaw()
	if !ok || !m.Cooling.trusts(fromC) {
		return 0, false
	}
	return min(fromC, l.At(fromC, d)), true
}

// Expect returns what fromC should be after d under a drive, and the standard deviation of the
// difference that a healthy machine shows: the noise of both readings, and the uncertainty of the
// law.
func (m *Model) Expect(drive Drive, fromC float64, d time.Duration) (meanC, sdC float64, ok bool) {
	c := &m.Warming
	var l Law
	switch drive {
	case Off:
		c = &m.Cooling
		l, ok = m.coolingLaw()
	case Full:
		l, ok = c.warmingLaw(m.roomC(), EnoughSpans)
	case Part:
	}
	if !ok || d < 0 || !c.trusts(fromC) {
		return 0, 0, false
	}
	fade := math.Exp(-d.Seconds() / l.TauS)
	end := (1 - fade) * l.endSD
	rate := (fromC - l.EndC) * d.Seconds() * fade * l.rateSD
	// The two errors are strongly correlated; their plain sum is never too small.
	doubt := math.Abs(end) + math.Abs(rate)
	return l.At(fromC, d), math.Sqrt(l.NoiseC*l.NoiseC*(1+fade*fade) + doubt*doubt), true
}

// Deviation returns by how many standard deviations a reading d after fromC lies above (+) or below
// (-) what [Model.Expect] says.
func (m *Model) Deviation(drive Drive, fromC float64, d time.Duration, readC float64) (float64, bool) {
	mean, sd, ok := m.Expect(drive, fromC, d)
	if !ok {
		return 0, false
	}
	return (readC - mean) / sd, true
}

// valid reports whether a restored model can be used.
func (m *Model) valid() bool {
	o, n := &m.Own, &m.Own.Newest
	for _, v := range []float64{o.II, o.IC, o.GG, o.GH, o.Sure, n.TT, n.TI, n.II, n.TC, n.IC, n.CC} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	for _, c := range []*Curve{&m.Warming, &m.Cooling} {
		for _, v := range []float64{c.Readings, c.LowC, c.HighC, c.Misfit, c.Free, c.Sums.TT, c.Sums.TI, c.Sums.II,
			c.Sums.TC, c.Sums.IC, c.Sums.CC} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return false
			}
		}
		if c.Spans > 0 && !(c.Sums.TT > 0) { // of a version that counted from no ambient
			return false
		}
		if c.Spans < 0 || c.Sums.TT < 0 || c.Sums.II < 0 || c.Misfit < 0 || c.Free < 0 || c.HighC < c.LowC {
			return false
		}
	}
	return m.Duties.valid() && !math.IsNaN(m.AmbientC) && !math.IsInf(m.AmbientC, 0)
}
