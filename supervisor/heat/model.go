package heat

import (
	"math"
	"time"
)

// Model is what is known of one heater. Its zero value knows nothing. It is a
// plain value: a copy is a picture that does not change.
type Model struct {
	AmbientC   float64 `json:"ambient_c"` // of the surroundings, degrees Celsius
	HasAmbient bool    `json:"has_ambient"`
	Warming    Curve   `json:"warming"`
	Cooling    Curve   `json:"cooling"`
	Duties     Duties  `json:"duties"`
}

// HeatUp returns how long the heater, fully on, takes from fromC to toC. It is false
// before [EnoughSpans] warmings of 12 degrees and 8 readings have been seen, for a
// target that the heater does not reach, and for one far outside what was seen. A
// controller that eases into its target takes longer over the last degrees.
func (m *Model) HeatUp(fromC, toC float64) (time.Duration, bool) {
	if fromC >= toC {
		return 0, true
	}
	return m.Warming.takes(fromC, toC, EnoughSpans)
}

// Cool returns how long the body, its heater off, takes from fromC down to toC. It is
// false in the same cases as [Model.HeatUp]; toC at or below ambient is never reached.
func (m *Model) Cool(fromC, toC float64) (time.Duration, bool) {
	if fromC <= toC {
		return 0, true
	}
	if m.HasAmbient && toC <= m.AmbientC {
		return 0, false
	}
	return m.Cooling.takes(fromC, toC, EnoughSpans)
}

// takes is how long the way takes by a curve of which so many spans were seen.
func (c *Curve) takes(fromC, toC float64, spans int) (time.Duration, bool) {
	l, ok := c.law(spans)
	if !ok || !c.trusts(fromC) || !c.trusts(toC) {
		return 0, false
	}
	return l.Takes(fromC, toC)
}

// Cooled returns what fromC has become after d with the heater off.
func (m *Model) Cooled(fromC float64, d time.Duration) (float64, bool) {
	l, ok := m.Cooling.Law()
	if !ok || !m.Cooling.trusts(fromC) {
		return 0, false
	}
	return min(fromC, l.At(fromC, d)), true
}

// Expect returns what fromC should have become after d under a drive, and the
// standard deviation of the difference that a healthy machine shows: the noise of
// both readings, and the doubt about the law.
func (m *Model) Expect(drive Drive, fromC float64, d time.Duration) (meanC, sdC float64, ok bool) {
	c := &m.Warming
	switch drive {
	case Off:
		c = &m.Cooling
	case Part:
		return 0, 0, false
	}
	l, ok := c.Law()
	if !ok || d < 0 || !c.trusts(fromC) {
		return 0, 0, false
	}
	fade := math.Exp(-d.Seconds() / l.TauS)
	end := (1 - fade) * l.endSD
	rate := (fromC - l.EndC) * d.Seconds() * fade * l.rateSD
	// The two doubts are strongly linked; their plain sum is never too small.
	doubt := math.Abs(end) + math.Abs(rate)
	return l.At(fromC, d), math.Sqrt(l.NoiseC*l.NoiseC*(1+fade*fade) + doubt*doubt), true
}

// Deviation returns by how many standard deviations a reading d after fromC lies
// above (+) or below (-) what [Model.Expect] says.
func (m *Model) Deviation(drive Drive, fromC float64, d time.Duration, readC float64) (float64, bool) {
	mean, sd, ok := m.Expect(drive, fromC, d)
	if !ok {
		return 0, false
	}
	return (readC - mean) / sd, true
}

// valid reports whether a model read back from a store can be gone on with.
func (m *Model) valid() bool {
	for _, c := range []*Curve{&m.Warming, &m.Cooling} {
		for _, v := range []float64{c.Readings, c.LowC, c.HighC, c.Misfit, c.Free, c.Sums.TT, c.Sums.TI, c.Sums.II,
			c.Sums.TC, c.Sums.IC, c.Sums.CC} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return false
			}
		}
		if c.Spans < 0 || c.Sums.TT < 0 || c.Sums.II < 0 || c.Misfit < 0 || c.Free < 0 || c.HighC < c.LowC {
			return false
		}
	}
	return m.Duties.valid() && !math.IsNaN(m.AmbientC) && !math.IsInf(m.AmbientC, 0)
}
