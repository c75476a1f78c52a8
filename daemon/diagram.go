package main

import (
	"math"

	"beltwarden/daemon/chart"
	"beltwarden/daemon/picture"
	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/quality"
)

// sample is a point of a line.
func sample(x, y float64) chart.Sample { return chart.Sample{X: x, Min: y, Max: y} }

// drawScale draws by how much each length is off, against what it should be: a line
// through zero is scale alone, one beside it has the outline's share.
func drawScale(s belt.Scale, lengths []belt.Length, note string) string {
	most := 0.0
	p := chart.Plot{XTitle: "nominal length, mm", YTitle: "measured less nominal, mm", Limits: []chart.Limit{{Name: "nominal", Class: "chart-thin", At: 0}}}
	for i, l := range lengths {
		series := chart.Series{Class: "chart-third", Samples: []chart.Sample{sample(l.NominalMM, l.MeasuredMM-l.NominalMM)}}
		if i == 0 {
			series.Name = "length"
		}
		p.Series = append(p.Series, series)
		most = math.Max(most, l.NominalMM)
	}
	line := chart.Series{Name: "scale and outline", Class: "chart-line"}
	for _, x := range []float64{0, 1.1 * most} {
		line.Samples = append(line.Samples, sample(x, x/s.Factor+s.OffsetMM-x))
	}
	p.Series = append(p.Series, line)
	return picture.Diagram("Lengths along the belt", "Belt scale from measured lengths", note, p).Standalone()
}

// drawPlan draws with which probability the ordered good parts are there, by the cycles
// started. plan answers for any certainty.
func drawPlan(p quality.Plan, confidence float64, plan func(confidence float64) (quality.Plan, error), note string) string {
	line := chart.Series{Name: "good parts enough", Class: "chart-first"}
	for c := 0.05; c < 0.9995; c += 0.005 {
		q, err := plan(c)
		if n := len(line.Samples); err != nil || n > 0 && line.Samples[n-1].X >= float64(q.Cycles) {
			continue
		}
		line.Samples = append(line.Samples, sample(float64(q.Cycles), 100*q.Probability))
	}
	plot := chart.Plot{XTitle: "cycles still to start", YTitle: "probability, %", Series: []chart.Series{line,
		{Name: "this plan", Class: "chart-third", Samples: []chart.Sample{sample(float64(p.Cycles), 100*p.Probability)}}},
		Limits: []chart.Limit{{Name: "wanted", Class: "chart-second", At: 100 * confidence}}}
	return picture.Diagram("Cycles for the order", "Cycles to start for an order", note, plot).Standalone()
}
