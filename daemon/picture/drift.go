// Package picture turns what the run knows into pictures: which series, limits and marks
// a diagram of the belt's drift, of part sizes or of the belt itself has. How marks look
// is the matter of package chart. It is pure.
package picture

import (
	"math"

	"beltwarden/daemon/chart"
	"beltwarden/supervisor/belt"
)

// maxMarks bounds the readings that are drawn as marks of their own; the newest count.
const maxMarks = 300

// Drift is the diagram of the lateral offset: the readings since the realignment, in
// order of travel, the fitted line, the band in which the offset will be with 95 %
// probability, and the limits of o. f is the forecast by the readings, made at now.
func Drift(o belt.Outlook, readings []belt.Reading, now belt.Reading, f *belt.Forecast) chart.Plot {
	const steps = 60
	limitMM := o.LimitMM
	p := chart.Plot{XTitle: "belt travel, m", YTitle: "lateral offset, mm (+ to the right)", Empty: "no offset read yet",
		Limits: []chart.Limit{{Name: "limit", Class: "chart-second", At: limitMM}, {Name: "limit", Class: "chart-second", At: -limitMM}}}
	if len(readings) == 0 {
		return p
	}
	first, last := readings[0].TravelMM, readings[len(readings)-1].TravelMM
	ahead := math.Max(last-first, 1000)
	if mm := f.TravelToLimitMM; mm != nil && *mm < 3*ahead {
		ahead = math.Max(*mm*1.1, 0.2*ahead)
	}
	distances := make([]float64, steps+1)
	for i := range distances {
		distances[i] = ahead * float64(i) / steps
	}
	if band := o.Band(readings, now, distances, 0.95); band != nil {
		s := chart.Series{Name: "where it may be, 95 %", Class: "chart-first"}
		for i, b := range band {
			s.Samples = append(s.Samples, chart.Sample{X: (now.TravelMM + distances[i]) / 1000, Min: clamp(b[0], 3*limitMM), Max: clamp(b[1], 3*limitMM)})
		}
		p.Series = append(p.Series, s)
	}
	if f.RateMMPerM != nil && f.OffsetMM != nil {
		line := chart.Series{Name: "fitted line", Class: "chart-line"}
		for _, x := range []float64{first, now.TravelMM + ahead} {
			v := clamp(*f.OffsetMM+*f.RateMMPerM*(x-now.TravelMM)/1000, 3*limitMM)
			line.Samples = append(line.Samples, chart.Sample{X: x / 1000, Min: v, Max: v})
		}
		p.Series = append(p.Series, line)
	}
	for i, r := range readings[max(0, len(readings)-maxMarks):] {
		s := chart.Series{Class: "chart-third", Samples: []chart.Sample{point(r.TravelMM/1000, r.OffsetMM)}}
		if i == 0 {
			s.Name = "check"
		}
		p.Series = append(p.Series, s)
	}
	return p
}

// point is a single reading.
func point(x, y float64) chart.Sample { return chart.Sample{X: x, Min: y, Max: y} }

// clamp keeps a picture's scale from being ruled by what is far outside.
func clamp(v, most float64) float64 { return math.Max(-most, math.Min(most, v)) }
