// Package picture turns what the run knows into pictures: which series, limits and marks
// a diagram of the belt's drift, of part sizes or of the belt itself has. How marks look
// is the matter of package chart. It is pure.
package picture

import (
	"math"
	"slices"

	"beltwarden/daemon/chart"
	"beltwarden/supervisor/belt"
)

// Drift is the diagram of the lateral offset: the readings since the realignment, in
// order of travel, the fitted line, the band in which the offset will be with 95 %
// probability, the limits of o over it, and where the machine will hold. f is the forecast by the readings,
// made at now; up to uncertainMM more may have been run than that.
func Drift(o belt.Outlook, readings []belt.Reading, now belt.Reading, f *belt.Forecast, uncertainMM float64) chart.Plot {
	const steps = 60
	limitMM := o.LimitMM
	p := chart.Plot{XTitle: "belt travel, m", YTitle: "lateral offset, mm (+ to the right)", Empty: "no offset read yet",
		Limits: []chart.Limit{{Name: "limit", Class: "chart-line", At: limitMM}, {Name: "limit", Class: "chart-line", At: -limitMM}}}
	if len(readings) == 0 {
		return p
	}
	first, last := readings[0].TravelMM, readings[len(readings)-1].TravelMM
	ahead := math.Max(math.Max(last-first, now.TravelMM-first), 1000)
	if mm := f.TravelToLimitMM; mm != nil && *mm < 3*ahead {
		ahead = math.Max(*mm*1.1, 0.2*ahead)
	}
	if f.HoldMM > 0 && (f.HoldMM < 3*ahead || f.Basis == belt.OnWorstRate) {
		ahead = math.Max(ahead, f.HoldMM*1.2)
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
	} else if newest := readings[len(readings)-1]; o.WorstMMPerM > 0 {
		s := chart.Series{Name: "where it may be, at the assumed rate", Class: "chart-first"}
		for _, mm := range distances {
			may := o.WorstMMPerM * (now.TravelMM + mm - newest.TravelMM) / 1000
			s.Samples = append(s.Samples, chart.Sample{X: (now.TravelMM + mm) / 1000, Min: clamp(newest.OffsetMM-may, 3*limitMM), Max: clamp(newest.OffsetMM+may, 3*limitMM)})
		}
		p.Series = append(p.Series, s)
	}
	if f.RateMMPerM != nil && f.OffsetMM != nil {
		line := chart.Series{Name: "fitted line", Class: "chart-thin"}
		for _, x := range []float64{first, now.TravelMM + ahead} {
			v := clamp(*f.OffsetMM+*f.RateMMPerM*(x-now.TravelMM)/1000, 3*limitMM)
			line.Samples = append(line.Samples, chart.Sample{X: x / 1000, Min: v, Max: v})
		}
		p.Series = append(p.Series, line)
	}
	checks := chart.Series{Name: "read at a check", Class: "chart-third", Sign: chart.Dot, Loose: true}
	doubtful := chart.Series{Name: "doubtful", Class: "chart-second", Sign: chart.Square, Loose: true}
	for i, r := range readings {
		s := &checks
		if slices.ContainsFunc(f.Flagged, func(g belt.Flag) bool { return g.Index == i }) {
			s = &doubtful
		}
		s.Samples = append(s.Samples, point(r.TravelMM/1000, r.OffsetMM))
	}
	for _, s := range []chart.Series{checks, doubtful} {
		if len(s.Samples) > 0 {
			p.Series = append(p.Series, s)
		}
	}
	driftMarks(&p, o, first, now, f, ahead, uncertainMM)
	if limitMM > 0 {
		p.YSpan = [2]float64{-1.15 * limitMM, 1.15 * limitMM}
		for _, s := range p.Series {
			for _, v := range s.Samples {
				p.YSpan = [2]float64{math.Max(-3*limitMM, math.Min(p.YSpan[0], v.Min)), math.Min(3*limitMM, math.Max(p.YSpan[1], v.Max))}
			}
		}
	}
	return p
}

// driftMarks are what happened to the belt, and what will.
func driftMarks(p *chart.Plot, o belt.Outlook, first float64, now belt.Reading, f *belt.Forecast, ahead, uncertainMM float64) {
	mark := func(name, class string, mm float64) {
		p.Marks = append(p.Marks, chart.Mark{Name: name, Class: class, At: mm / 1000})
	}
	if at := o.RealignedAtMM; at > 0 && at <= first && first-at < 3*ahead {
		mark("realigned", "chart-thin chart-dots", at)
		p.XSpan = [2]float64{at / 1000, now.TravelMM / 1000}
	}
	if f.ChangedAtMM != nil {
		mark("drift changed", "chart-thin chart-dots", *f.ChangedAtMM)
	}
	mark("now", "chart-thin", now.TravelMM)
	if f.HoldMM >= 0 && f.HoldMM <= ahead {
		mark("hold here", "chart-second", now.TravelMM+f.HoldMM)
	}
	if uncertainMM > 0 {
		p.Spans = append(p.Spans, chart.Span{Name: "may be here already", Class: "chart-thin", Hatched: true, From: now.TravelMM / 1000, To: (now.TravelMM + uncertainMM) / 1000})
	}
}

// point is a single reading.
func point(x, y float64) chart.Sample { return chart.Sample{X: x, Min: y, Max: y} }

// clamp keeps a picture's scale from being ruled by what is far outside.
func clamp(v, most float64) float64 { return math.Max(-most, math.Min(most, v)) }
