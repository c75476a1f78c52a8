package belt

import (
	"math"
)

// A belt does not only drift at a rate. It also wanders: slip and jerks add up, so that two
// readings far apart differ by more than two readings at the same place. A few checks cannot show
// how much of the scatter is wander and how much is reading error, and it matters: reading errors
// average out over the forecast, wander grows with it. So the forecast is made for several shares
// of wander, each weighted by how well it explains the readings.

// shares are the shares of wander in the variance between one reading and the next.
var shares = [...]float64{0, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99}

// Scatter is the prior of the scatter: a standard deviation, and the number of readings that it is
// worth. It may be learned from earlier alignments of the same machine.
type Scatter struct {
	SDMM float64
	DF   float64
}

// usualScatter: a rule held to a belt's edge is read to half a millimetre (common practice, no
// source), an error of 0.5/sqrt(12) mm (GUM 4.3.7). It is worth two readings: with that the bounds
// hold as often as they claim, see TestCalibration.
var usualScatter = Scatter{SDMM: 0.5 / math.Sqrt(12), DF: 2}

// Lasting is the prior after a realignment or a change of the belt: worth some readings, fewer than
// it was learned from.
func (s Scatter) Lasting() Scatter {
	s.DF = min(s.DF, 6)
	return s
}

// drive is what moves the belt sideways: travel, advance, or both.
type drive [2]float64

// column is the running fit for one share of wander: a level that performs a random walk, observed
// with reading errors, and a rate for each drive. It is the Kalman filter of that model with an
// unknown first level, run for the offset and the drives alike, which gives the generalised least
// squares of the rates without large matrices (A. C. Harvey, Forecasting, Structural Time Series
// Models and the Kalman Filter, 1989, section 3.4; from memory).
type column struct {
	rates      int     // drives in use, 1 or 2
	walk, read float64 // variances of a mean step of wander and of a reading, in units of the common variance

	n              int
	level          float64 // filtered offset
	levelX         drive   // the drives by the same filter
	variance       float64 // of the level
	sxx            [3]float64
	sxy            drive
	syy            float64
	logDeterminant float64
}

func newColumn(rates int, share float64) column {
	return column{rates: rates, walk: share, read: 1 - share}
}

// observe adds a reading y. gap is the travel since the previous one, in mean steps.
func (c *column) observe(x drive, gap, y float64) {
	c.n++
	if c.n == 1 {
		c.level, c.levelX, c.variance = y, x, c.read
		return
	}
	c.variance += c.walk * gap
	total := c.variance + c.read
	gain := c.variance / total
	vy, v := y-c.level, drive{x[0] - c.levelX[0], x[1] - c.levelX[1]}
	c.level += gain * vy
	c.levelX[0] += gain * v[0]
	c.levelX[1] += gain * v[1]
	c.variance *= 1 - gain
	c.sxx[0] += v[0] * v[0] / total
	c.sxx[1] += v[0] * v[1] / total
	c.sxx[2] += v[1] * v[1] / total
	c.sxy[0] += v[0] * vy / total
	c.sxy[1] += v[1] * vy / total
	c.syy += vy * vy / total
	c.logDeterminant += math.Log(total)
}

// solve returns the best rates, the determinant of their cross products, and the residual sum of
// squares.
func (c *column) solve() (b drive, determinant, rest float64) {
	if c.rates == 1 {
		b[0] = c.sxy[0] / c.sxx[0]
		return b, c.sxx[0], max(0, c.syy-b[0]*c.sxy[0])
	}
	d := c.sxx[0]*c.sxx[2] - c.sxx[1]*c.sxx[1]
	b[0] = (c.sxx[2]*c.sxy[0] - c.sxx[1]*c.sxy[1]) / d
	b[1] = (c.sxx[0]*c.sxy[1] - c.sxx[1]*c.sxy[0]) / d
	return b, d, max(0, c.syy-b[0]*c.sxy[0]-b[1]*c.sxy[1])
}

// leverage is the variance that the uncertainty of the rates adds to a step d.
func (c *column) leverage(d drive, determinant float64) float64 {
	if c.rates == 1 {
		return d[0] * d[0] / determinant
	}
	return (d[0]*d[0]*c.sxx[2] - 2*d[0]*d[1]*c.sxx[1] + d[1]*d[1]*c.sxx[0]) / determinant
}

// belief is a Student's t distribution with its weight, or the logarithm of it.
type belief struct{ centre, scale, df, weight float64 }

// predict returns the distribution of the offset where the drives are x, gap mean steps of travel
// after the newest reading. read is 1 for a reading there, 0 for the offset itself. There must be
// more readings than rates.
func (c *column) predict(x drive, gap, read float64, s Scatter) (b belief) {
	rate, determinant, rest := c.solve()
	rest += s.DF * s.SDMM * s.SDMM
	b.df = float64(c.n-1-c.rates) + s.DF
	d := drive{x[0] - c.levelX[0], x[1] - c.levelX[1]}
	variance := c.variance + c.walk*gap + read*c.read + c.leverage(d, determinant)
	b.centre, b.scale = c.level+rate[0]*d[0]+rate[1]*d[1], math.Sqrt(rest/b.df*variance)
	b.weight = -0.5 * (c.logDeterminant + math.Log(determinant) + b.df*math.Log(rest))
	return b
}

// rateBelief returns the distribution of the offset's change per drives, with the weight of
// [column.predict].
func (c *column) rateBelief(per drive, s Scatter) (b belief) {
	rate, determinant, rest := c.solve()
	b = c.predict(c.levelX, 0, 0, s)
	rest += s.DF * s.SDMM * s.SDMM
	b.centre, b.scale = rate[0]*per[0]+rate[1]*per[1], math.Sqrt(rest/b.df*c.leverage(per, determinant))
	return b
}

// filter holds the columns of all shares, over readings in order of travel.
type filter struct {
	columns [len(shares)]column
	step    float64 // mean travel between readings, mm
	last    float64 // travel of the newest, mm
	scatter Scatter
}

func newFilter(rates int, stepMM float64, s Scatter) filter {
	f := filter{step: stepMM, scatter: s}
	for i, share := range shares {
		f.columns[i] = newColumn(rates, share)
	}
	return f
}

func (f *filter) n() int { return f.columns[0].n }

// ready reports whether there are enough readings to predict from: more than rates, and at more
// than one place.
func (f *filter) ready() bool {
	c := &f.columns[0]
	if c.n <= c.rates {
		return false
	}
	_, determinant, _ := c.solve()
	return determinant > 0 && !math.IsNaN(determinant)
}

func (f *filter) observe(travelMM float64, x drive, offsetMM float64) {
	gap := (travelMM - f.last) / f.step
	for i := range f.columns {
		f.columns[i].observe(x, gap, offsetMM)
	}
	f.last = travelMM
}

// predict returns the distribution of the offset at a travel and its drives; reading adds the error
// of reading.
func (f *filter) predict(travelMM float64, x drive, reading bool) (m mixture) {
	read := 0.0
	if reading {
		read = 1
	}
	for i := range f.columns {
		m[i] = f.columns[i].predict(x, max(0, travelMM-f.last)/f.step, read, f.scatter)
	}
	m.weigh()
	return m
}

// rate returns the distribution of the offset's change per drives.
func (f *filter) rate(per drive) (m mixture) {
	for i := range f.columns {
		m[i] = f.columns[i].rateBelief(per, f.scatter)
	}
	m.weigh()
	return m
}

// evidence compares sets of drives: the logarithm of the best likelihood, less half
// the logarithm of the number of readings for each rate (Schwarz's criterion).
func (f *filter) evidence() float64 {
	best := math.Inf(-1)
	for i := range f.columns {
		c := &f.columns[i]
		_, _, rest := c.solve()
		df := float64(c.n-1) + f.scatter.DF
		best = max(best, -0.5*(c.logDeterminant+df*math.Log(rest+f.scatter.DF*f.scatter.SDMM*f.scatter.SDMM)))
	}
	return best - 0.5*float64(f.columns[0].rates)*math.Log(float64(f.n()))
}

// scatterSeen is the observed standard deviation of the scatter, by the likeliest share.
func (f *filter) scatterSeen() Scatter {
	m := f.predict(f.last, f.columns[0].levelX, false)
	sum, df := 0.0, 0.0
	for i := range f.columns {
		c := &f.columns[i]
		_, _, rest := c.solve()
		rest += f.scatter.DF * f.scatter.SDMM * f.scatter.SDMM
		sum += m[i].weight * rest / m[i].df
		df = m[i].df
	}
	return Scatter{SDMM: math.Sqrt(sum), DF: df}
}
