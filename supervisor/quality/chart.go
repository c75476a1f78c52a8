package quality

import (
	"fmt"
	"math"
	"slices"
)

// Chart is a control chart of values that are all there.
type Chart struct {
	Limits
	// Base are the indices of the values that the limits were computed from, in order.
	Base       []int64
	Signals    []Signal
	Suggestion *Suggestion // by the newest signal; nil without one
}

// Judge charts values: limits from the first learn of them that are in control, and the signals
// of all. With learn 0 all values are the base.
//
// The base is settled as for phase I of a Shewhart chart (ISO 7870-2; the rule to compute
// the limits again without the values outside them is in every textbook, from memory): a value
// outside the limits computed with it is left out, and the next one is taken in its place,
// until none lies outside. The error wraps ErrFew when the values end before that.
func Judge(values []float64, learn int, s Settings) (*Chart, error) {
	m, err := NewMonitor(s)
	if err != nil {
		return nil, err
	}
	if learn < 0 || learn > len(values) {
		return nil, fmt.Errorf("cannot learn limits from %d of %d values", learn, len(values))
	}
	c := &Chart{}
	left := map[int64]Signal{}
	if learn > 0 {
		err = c.settle(values, learn, s.D2, left)
	} else {
		for i := range values {
			c.Base = append(c.Base, int64(i))
		}
		c.Limits, err = LimitsOf(values, s.D2)
	}
	if err != nil {
		return nil, err
	}
	later := 0 // the first value that no limit rests on
	if learn > 0 {
		for _, i := range c.Base {
			m.Learned = append(m.Learned, Learned{Index: i, Value: values[i]})
		}
		later = int(c.Base[learn-1]) + 1
		// What compares values with the base begins behind it.
		m.Settings.Rules = slices.DeleteFunc(slices.Clone(s.Rules), func(r Rule) bool { return r == EWMA || r == CUSUM || r == ChangePoint })
	}
	m.freeze(c.Limits)
	for i, v := range values {
		if i == later && learn > 0 {
			runs := m.Runs
			m.Settings.Rules = s.Rules
			m.freeze(c.Limits)
			m.Runs = runs
		}
		if signal, out := left[int64(i)]; out {
			c.Signals = append(c.Signals, signal)
			m.N++
			continue
		}
		verdict, err := m.Observe(v)
		if err != nil {
			return nil, err
		}
		c.Signals = append(c.Signals, verdict.Signals...)
		if verdict.Suggestion != nil {
			c.Suggestion = verdict.Suggestion
		}
	}
	return c, nil
}

// settle finds the base, and the signals of what is left out of it.
func (c *Chart) settle(values []float64, learn int, d2 float64, left map[int64]Signal) (err error) {
	next := 0
	for {
		for len(c.Base) < learn {
			if next == len(values) {
				return fmt.Errorf("cannot settle control limits: %w: of %d values %d are in control, and %d were requested", ErrFew, len(values), len(c.Base), learn)
			}
			c.Base = append(c.Base, int64(next))
			next++
		}
		base := make([]float64, learn)
		for i, at := range c.Base {
			base[i] = values[at]
		}
		if c.Limits, err = LimitsOf(base, d2); err != nil {
			return err
		}
		out := len(left)
		for _, at := range c.Base {
			if v := values[at]; v > c.UCL || v < c.LCL {
				left[at] = Signal{Index: at, From: at, Rule: Beyond3, Side: sign(v - c.Mean), Text: fmt.Sprintf(
					"value %d, %.6g, lies outside %.6g to %.6g, the limits computed with it: they were computed again without it", at+1, v, c.LCL, c.UCL)}
			}
		}
		if len(left) == out {
			return nil
		}
		c.Base = slices.DeleteFunc(c.Base, func(at int64) bool { _, is := left[at]; return is })
	}
}

// Shift is a change of level, named once however many signals it gives.
type Shift struct {
	From int64   // index of the first value of the new level
	By   float64 // its median less the mean of the limits
}

// level reports whether a rule speaks of a level rather than of single values.
func (r Rule) level() bool { return r == EightOneSide || r == ChangePoint }

// Shifts joins the signals that speak of a level: one that goes on gives a signal again and again.
// Signals are in the order in which they came; values are those from index first on.
func Shifts(signals []Signal, values []float64, first int64, l Limits) (list []Shift) {
	most := 3 * (l.UCL - l.Mean) // one value that stands out must not stand for its neighbours
	sums := make([]float64, len(values)+1)
	for i, v := range values {
		sums[i+1] = sums[i] + math.Max(-most, math.Min(most, v-l.Mean))
	}
	between := func(from, to int64) float64 { // mean of [from, to)
		from, to = max(0, from-first), min(int64(len(values)), to-first)
		if from >= to {
			return math.NaN()
		}
		return (sums[to] - sums[from]) / float64(to-from)
	}
	var ends []int64  // the index after the newest value with a signal of each shift
	until := int64(0) // that of the newest
	for _, s := range signals {
		if !s.Rule.level() || s.Index < first {
			continue
		}
		now := between(s.From, s.Index+1)
		if n := len(list); n > 0 {
			// It is the same level unless enough values since lie nearer to the old one, or it is another.
			last := &list[n-1]
			since := between(until, s.From)
			back := s.From-until >= changeLeast && math.Abs(since) < math.Abs(since-last.By)
			if !back && math.Abs(now-last.By) < math.Abs(now) && sign(now) == sign(last.By) && math.Abs(now) < 2*math.Abs(last.By) {
				until = s.Index + 1
				ends[n-1] = until
				last.By = between(last.From, until)
				continue
			}
		}
		list = append(list, Shift{From: max(s.From, first), By: now})
		until = s.Index + 1
		ends = append(ends, until)
	}
	for i := range list {
		to := min(ends[i]-first, int64(len(values)))
		if from := list[i].From - first; from < to {
			list[i].By = median(values[from:to]) - l.Mean
		}
	}
	return list
}
