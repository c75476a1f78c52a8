package picture

import (
	"fmt"
	"slices"

	"beltwarden/daemon/chart"
)

// Limits of part sizes, in the unit of the sizes.
type Limits struct{ Lower, Mean, Upper float64 }

// Sizes is a control chart: values in their order, the first of them numbered first, the
// limits if there are any, and a ring round each value at the indices of signals.
func Sizes(values []float64, first int, l *Limits, signals []int) chart.Plot {
	const mostRings = 200
	p := chart.Plot{XTitle: "part, in the order of measuring", YTitle: "size", Empty: "no length measured yet"}
	if len(values) == 0 {
		return p
	}
	if l != nil {
		p.Limits = limits(values, *l)
	}
	sizes := chart.Series{Name: "size", Class: "chart-first"}
	for i, v := range values {
		sizes.Samples = append(sizes.Samples, point(float64(first+i), v))
	}
	p.Series = append(p.Series, sizes)
	for i, at := range signals[:min(mostRings, len(signals))] {
		if at < 0 || at >= len(values) || slices.Contains(signals[:i], at) {
			continue // one ring for a value with several signals
		}
		name := ""
		if len(p.Series) == 1 {
			name = "signal"
		}
		p.Series = append(p.Series, chart.Series{Name: name, Class: "chart-third", Samples: []chart.Sample{point(float64(first+at), values[at])}})
	}
	return p
}

// limits names the three lines, as far as their names do not come to lie on one another.
func limits(values []float64, l Limits) []chart.Limit {
	list := []chart.Limit{
		{Name: fmt.Sprintf("upper %.5g", l.Upper), Class: "chart-second", At: l.Upper},
		{Name: fmt.Sprintf("mean %.5g", l.Mean), Class: "chart-thin", At: l.Mean},
		{Name: fmt.Sprintf("lower %.5g", l.Lower), Class: "chart-second", At: l.Lower},
	}
	span := max(slices.Max(values), l.Upper) - min(slices.Min(values), l.Lower)
	switch gap := l.Upper - l.Mean; {
	case gap <= 0.05*span:
		return []chart.Limit{list[0], {Class: list[2].Class, At: l.Lower}}
	case gap <= 0.1*span:
		list[1].Name = ""
	}
	return list
}
