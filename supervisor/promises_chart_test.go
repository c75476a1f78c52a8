package supervisor

import (
	"fmt"
	"math"
	"math/rand/v2"

	"beltwarden/supervisor/quality"
)

// charted is a process whose lengths a chart watches. Its standard deviation is 1.
type charted struct {
	step    float64 // resolution of lengths, in standard deviations
	follows float64 // autocorrelation of neighbours
	tails   bool    // every tenth scatters three times as much
	skewed  bool
	shift   float64 // in standard deviations
	from    int     // first value after the shift
}

const chartedLot = 60

func (c charted) values(r *rand.Rand) []float64 {
	list := make([]float64, chartedLot)
	place, noise := 1000*r.Float64(), 0.0
	for i := range list {
		e := r.NormFloat64()
		switch {
		case c.tails && r.Float64() < 0.1:
			e *= 3 / math.Sqrt(1.8)
		case c.tails:
			e /= math.Sqrt(1.8)
		case c.skewed: // the sum of four exponentials
			e = -2
			for range 4 {
				e += r.ExpFloat64() / 2
			}
		}
		noise = c.follows*noise + math.Sqrt(1-c.follows*c.follows)*e
		if i == 0 {
			noise = e
		}
		list[i] = noise + place
		if c.from > 0 && i >= c.from {
			list[i] += c.shift
		}
		if c.step > 0 { // in a unit in which the step is a tenth of a millimetre
			list[i] = math.Round(list[i]/c.step) / 10
		}
	}
	return list
}

// calledAt is the first value at which the machine holds, or -1.
func (c charted) calledAt(r *rand.Rand) int {
	m, err := quality.NewMonitor(quality.DefaultSettings())
	if err != nil {
		panic(err)
	}
	for i, v := range c.values(r) {
		verdict, err := m.Observe(v)
		if err != nil {
			panic(err)
		}
		if len(verdict.Signals) > 0 {
			return i
		}
	}
	return -1
}

// quiet is a lot without a shift.
func (c charted) quiet(r *rand.Rand) (holds, told bool) {
	at := c.calledAt(r)
	return at < 0, at >= 0
}

// found is a lot with a shift: it reports whether it is found within 20 values.
func (c charted) found(r *rand.Rand) (holds, told bool) {
	at := c.calledAt(r)
	return true, at >= c.from && at < c.from+20
}

// mixed is a lot with a shift in its first values: it reports whether no limits were silently set from
// values of both levels.
func (c charted) mixed(r *rand.Rand) (holds, told bool) {
	m, err := quality.NewMonitor(quality.DefaultSettings())
	if err != nil {
		panic(err)
	}
	for _, v := range c.values(r) {
		verdict, err := m.Observe(v)
		if err != nil {
			panic(err)
		}
		if len(verdict.Signals) > 0 {
			return true, true
		}
		if m.Phase == quality.Frozen {
			return m.Learned[0].Index > int64(c.from)-3, true // a value or two of the other level do no harm
		}
	}
	return true, false
}

func chartPromises() []promise {
	calm := promise{name: "no hold for the size of parts where nothing is wrong", keeps: 0.9}
	shifts := promise{name: "a shift of parts by 1.5 sd is found within 20 values", keeps: 0.95}
	inside := promise{name: "no limits over a shift in the first 20", keeps: 0.9}
	for _, k := range []struct {
		name  string
		c     charted
		early float64 // fraction of shifts right after the first 20
		find  float64 // fraction of shifts from value 41 on
	}{
		{"normal", charted{}, 0.8, 0.85},
		{"read in steps of 0.5 sd", charted{step: 0.5}, 0.8, 0.85},
		{"read in steps of 1 sd", charted{step: 1}, 0.75, 0.8},
		{"read in steps of 2 sd", charted{step: 2}, 0.65, 0.8},
		{"read in steps of 3 sd", charted{step: 3}, 0, 0},
		{"read in steps of 10 sd", charted{step: 10}, 0, 0},
		{"autocorrelation 0.3", charted{follows: 0.3}, 0, 0},
		{"autocorrelation 0.5", charted{follows: 0.5}, 0, 0},
		{"autocorrelation 0.7", charted{follows: 0.7}, 0, 0},
		{"autocorrelation 0.5, steps of 1 sd", charted{follows: 0.5, step: 1}, 0, 0},
		{"long tails", charted{tails: true}, 0.8, 0.8},
		{"skewed", charted{skewed: true}, 0.75, 0.8},
	} {
		calm.kinds = append(calm.kinds, kindOfData{name: k.name, lot: k.c.quiet})
		for _, from := range []int{20, 40} {
			c := k.c
			c.shift, c.from = 1.5, from
			find := map[int]float64{20: k.early, 40: k.find}[from]
			shifts.kinds = append(shifts.kinds, kindOfData{name: k.name + map[int]string{20: ", from value 21", 40: ", from value 41"}[from], lot: c.found, tells: find})
		}
	}
	for _, from := range []int{6, 10, 14} {
		for _, by := range []float64{1.5, 2, 3} {
			k := kindOfData{name: fmt.Sprintf("by %g sd from value %d", by, from+1), lot: charted{shift: by, from: from}.mixed}
			if by < 3 {
				k.beyond = "(3 sd)"
			}
			inside.kinds = append(inside.kinds, k)
		}
	}
	return []promise{calm, shifts, inside}
}
