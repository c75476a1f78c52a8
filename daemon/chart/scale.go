package chart

import (
	"math"
	"strconv"
)

// Ticks are round places (1, 2 or 5 times a power of ten apart) from lo to hi, at
// most so many of them. A span that is empty or not finite has none.
func Ticks(lo, hi float64, most int) []float64 {
	step := RoundStep((hi - lo) / float64(max(1, most-1)))
	if step == 0 || most < 2 {
		return nil
	}
	first, last := math.Ceil(lo/step-1e-9), math.Floor(hi/step+1e-9)
	if last-first > 1000 || math.Abs(first) > 1<<50 {
		return nil // so far from zero that steps are lost in rounding
	}
	var list []float64
	for k := first; k <= last; k++ {
		list = append(list, k*step)
	}
	return list
}

// RoundStep is the least of 1, 2 and 5 times a power of ten that is at least v;
// 0 if v is not a positive finite number.
func RoundStep(v float64) float64 {
	if !(v > 0) || math.IsInf(v, 0) {
		return 0
	}
	power := math.Pow(10, math.Floor(math.Log10(v)))
	for _, k := range []float64{1, 2, 5} {
		if k*power >= v*(1-1e-9) {
			return k * power
		}
	}
	return 10 * power
}

// Label writes a tick with as many decimals as the step needs; 0 is never "-0".
func Label(v, step float64) string {
	places := 0
	if step > 0 && step < 1 {
		places = min(9, int(math.Ceil(-math.Log10(step)-1e-9)))
	}
	text := strconv.FormatFloat(v, 'f', places, 64)
	if zero, err := strconv.ParseFloat(text, 64); err == nil && zero == 0 {
		return strconv.FormatFloat(0, 'f', places, 64)
	}
	return text
}

// Figure writes a quantity for a legend: with a number of decimals, 0 never "-0".
func Figure(v float64, places int) string {
	return Label(v, math.Pow(10, -float64(places)))
}

// scale maps values to pixels, linearly.
type scale struct{ lo, hi, fromPX, toPX float64 }

func (s scale) at(v float64) float64 {
	if s.hi == s.lo {
		return s.fromPX
	}
	return s.fromPX + (v-s.lo)/(s.hi-s.lo)*(s.toPX-s.fromPX)
}

// Sample is what happened at one place of the x axis: the least and the greatest
// value, which are the same for a single reading.
type Sample struct{ X, Min, Max float64 }

// Decimate merges samples that fall into the same of so many equal columns of
// [lo, hi], keeping the least and the greatest, and the first place. Samples that are
// not finite, or lie outside, are left out. Samples must be sorted by X.
func Decimate(list []Sample, lo, hi float64, columns int) []Sample {
	if !(hi > lo) || columns < 1 {
		return nil
	}
	var out []Sample
	last := -1
	for _, s := range list {
		if !finite(s.X, s.Min, s.Max) || s.X < lo || s.X > hi {
			continue
		}
		column := min(columns-1, int((s.X-lo)/(hi-lo)*float64(columns)))
		if column == last {
			p := &out[len(out)-1]
			p.Min, p.Max = math.Min(p.Min, s.Min), math.Max(p.Max, s.Max)
			continue
		}
		last = column
		out = append(out, s)
	}
	return out
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
