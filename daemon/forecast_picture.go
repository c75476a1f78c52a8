package main

import (
	"math"
	"path/filepath"

	"beltwarden/daemon/chart"
	"beltwarden/supervisor/belt"
)

// drawForecast draws the checks, the line and the 95 % band up to where the limit is
// reached, or as far again as was watched.
func drawForecast(f forecastFlags, o belt.Outlook, readings []belt.Reading, now belt.Reading, r *driftForecast) string {
	const steps, rings = 60, 300
	first, last := readings[0].TravelMM, readings[len(readings)-1].TravelMM
	ahead := math.Max(last-first, 1000)
	if mm := r.TravelToLimitMM; mm != nil && *mm < 3*ahead {
		ahead = math.Max(*mm*1.1, 0.2*ahead)
	}
	p := chart.Plot{XTitle: "belt travel, m", YTitle: "lateral offset, mm (+ to the right)", Limits: []chart.Limit{
		{Name: "limit", Class: "chart-second", At: f.limitMM}, {Name: "limit", Class: "chart-second", At: -f.limitMM}}}
	distances := make([]float64, steps+1)
	for i := range distances {
		distances[i] = ahead * float64(i) / steps
	}
	if band := o.Band(readings, now, distances, 0.95); band != nil {
		s := chart.Series{Name: "where it may be, 95 %", Class: "chart-first"}
		for i, b := range band {
			s.Samples = append(s.Samples, chart.Sample{X: (now.TravelMM + distances[i]) / 1000, Min: clamp(b[0], 3*f.limitMM), Max: clamp(b[1], 3*f.limitMM)})
		}
		p.Series = append(p.Series, s)
	}
	if r.RateMMPerM != nil {
		line := chart.Series{Name: "fitted line", Class: "chart-line"}
		for _, x := range []float64{first, now.TravelMM + ahead} {
			v := clamp(*r.OffsetMM+*r.RateMMPerM*(x-now.TravelMM)/1000, 3*f.limitMM)
			line.Samples = append(line.Samples, chart.Sample{X: x / 1000, Min: v, Max: v})
		}
		p.Series = append(p.Series, line)
	}
	for i, reading := range readings[max(0, len(readings)-rings):] {
		s := chart.Series{Class: "chart-third", Samples: []chart.Sample{{X: reading.TravelMM / 1000, Min: reading.OffsetMM, Max: reading.OffsetMM}}}
		if i == 0 {
			s.Name = "check"
		}
		p.Series = append(p.Series, s)
	}
	name := filepath.Base(f.file)
	note := ""
	for _, l := range r.lines(f) {
		note += l + ". "
	}
	return diagram("Lateral offset, from "+name, "Lateral offset of the belt, from "+name, note, p)
}

// clamp keeps a picture's scale from being ruled by what is far outside.
func clamp(v, most float64) float64 { return math.Max(-most, math.Min(most, v)) }
