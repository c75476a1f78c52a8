package main

import (
	"fmt"
	"path/filepath"
	"slices"

	"beltwarden/daemon/chart"
)

// drawSizes draws the control chart: sizes in their order, the limits, and a ring
// round each value with a signal.
func drawSizes(f chartFlags, values []float64, s *sizeChart) string {
	const rings = 200
	p := chart.Plot{XTitle: "part, in the order of the file", YTitle: "size", Limits: []chart.Limit{
		{Name: fmt.Sprintf("upper %.5g", s.UCL), Class: "chart-second", At: s.UCL},
		{Name: fmt.Sprintf("mean %.5g", s.Mean), Class: "chart-thin", At: s.Mean},
		{Name: fmt.Sprintf("lower %.5g", s.LCL), Class: "chart-second", At: s.LCL},
	}}
	// Names that come to lie on one another hide each other.
	span := max(slices.Max(values), s.UCL) - min(slices.Min(values), s.LCL)
	switch gap := s.UCL - s.Mean; {
	case gap <= 0.05*span:
		p.Limits = []chart.Limit{{Name: p.Limits[0].Name, Class: p.Limits[0].Class, At: s.UCL}, {Class: p.Limits[2].Class, At: s.LCL}}
	case gap <= 0.1*span:
		p.Limits[1].Name = ""
	}
	sizes := chart.Series{Name: "size", Class: "chart-first"}
	for i, v := range values {
		sizes.Samples = append(sizes.Samples, chart.Sample{X: float64(i + 1), Min: v, Max: v})
	}
	p.Series = append(p.Series, sizes)
	last := int64(-1)
	for _, g := range s.Signals[:min(rings, len(s.Signals))] {
		if g.Index == last {
			continue // one ring for a value with several signals
		}
		last = g.Index
		name := ""
		if len(p.Series) == 1 {
			name = "signal"
		}
		v := values[g.Index]
		p.Series = append(p.Series, chart.Series{Name: name, Class: "chart-third", Samples: []chart.Sample{{X: float64(g.Index + 1), Min: v, Max: v}}})
	}
	name := filepath.Base(f.file)
	note := fmt.Sprintf("%s: mean %.6g, limits %.6g to %.6g, %s.", counted(len(values), "value"), s.Mean, s.LCL, s.UCL, counted(len(s.Signals), "signal"))
	if s.Cp != nil {
		note += fmt.Sprintf(" Cp %.3f, Cpk %.3f for %g +/- %g.", *s.Cp, *s.Cpk, f.nominal, f.tolerance)
	}
	return diagram("Sizes in "+name, "Control chart of "+name, note, p)
}
