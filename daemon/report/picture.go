package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"beltwarden/daemon/chart"
	sizes "beltwarden/daemon/picture"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor/quality"
)

// picturePX is how wide a picture is made: on a telephone 360 px wide its letters are of 12 px.
const (
	picturePX = 400
	plotPX    = 320
)

// maxSeries is how many jobs a diagram separates by lines of their own.
const maxSeries = 3

// jobClasses are the lines of the first jobs.
var jobClasses = [maxSeries]string{"chart-first", "chart-second", "chart-third chart-dashdot"}

// picture is a drawing with what it shows in words.
type picture struct {
	SVG     template.HTML
	Caption string
}

// draw finishes a drawing. Its text has been escaped by the chart package.
func draw(title, caption string, heightPX float64, into func(d *chart.Drawing)) *picture {
	d := chart.New(picturePX, heightPX, title, caption)
	into(d)
	return &picture{template.HTML(d.Fragment()), caption} //nolint:gosec // made by chart, which escapes
}

func plot(title, caption string, p chart.Plot) *picture {
	return draw(title, caption, plotPX, func(d *chart.Drawing) {
		d.Plot(chart.Box{Y: 4, W: picturePX, H: plotPX - 4}, p)
	})
}

// cyclePicture shows how long each part took, over the lot; nil with fewer than two.
// Where several parts fall into one column of pixels the shortest and the longest of
// them are drawn, and the figures beside it are of all.
func (r *Report) cyclePicture() *picture {
	w := r.Workshop
	if w.Cycle.N < 2 {
		return nil
	}
	apart := len(r.Jobs) <= maxSeries
	series := make([]chart.Series, 1)
	if apart {
		series = make([]chart.Series, len(r.Jobs))
	}
	unit, seconds := "s", 1.0
	if w.Cycle.Median >= 600 {
		unit, seconds = "min", 60
	}
	for _, p := range w.Parts {
		if p.CycleS == nil {
			continue
		}
		k := 0
		if apart {
			k = p.Job - 1
		}
		v := *p.CycleS / seconds
		series[k].Samples = append(series[k].Samples, chart.Sample{X: float64(p.Number), Min: v, Max: v})
	}
	most := 0.0
	for k := range series {
		series[k].Class, series[k].Sign = jobClasses[k], chart.Dot
		if apart && len(r.Jobs) > 1 {
			series[k].Name = shorten(clean(r.Jobs[k].Name), 28)
		}
		for _, v := range series[k].Samples {
			most = math.Max(most, v.Max)
		}
	}
	caption := fmt.Sprintf("Time from a part's begin until it was moved off, for %s: median %s, from %s to %s.",
		wording.Count(w.Cycle.N, "part"), span(w.Cycle.Median), span(w.Cycle.Least), span(w.Cycle.Most))
	if !apart {
		caption += " All jobs are drawn as one line."
	}
	// From 0, so that a small difference does not look like a large one.
	floor := []chart.Limit{{Class: "chart-thin", At: 0}}
	return plot("Part-to-part times over the lot", caption, chart.Plot{XTitle: "part, in the order in which they were begun",
		YTitle: "part-to-part time, " + unit, Series: series, Limits: floor, Whole: true})
}

// timePicture shows what the lot's time went to; nil before there is any.
func (r *Report) timePicture() *picture {
	var bars []chart.Bar
	var words []string
	for i, s := range r.Workshop.shares() {
		if s.seconds < 0.5 {
			continue
		}
		class := "chart-made"
		if i == 0 {
			class = "chart-part"
		}
		bars = append(bars, chart.Bar{Name: s.name, Class: class, Value: s.seconds, Text: span(s.seconds)})
		words = append(words, s.name+" "+span(s.seconds))
	}
	if len(bars) == 0 {
		return nil
	}
	return draw("What the time went to", "Time of the lot: "+strings.Join(words, ", ")+".", chart.BarsHeight(len(bars))+8,
		func(d *chart.Drawing) { d.Bars(chart.Box{X: 4, Y: 6, W: picturePX - 8}, bars) })
}

// driftPicture shows the lateral offsets over the lot's belt travel, a line for each
// alignment; nil without a reading.
func (r *Report) driftPicture() *picture {
	b := &r.Workshop.Belt
	p := chart.Plot{XTitle: "belt travel since the lot was opened, m", YTitle: "offset, mm (+ to the right)", XSpan: [2]float64{0, b.TravelMM / 1000}}
	run := chart.Series{Name: "offset as found", Class: "chart-first", Sign: chart.Dot}
	n, least, most, realigned := 0, math.Inf(1), math.Inf(-1), 0
	end := func() {
		if len(run.Samples) > 0 {
			p.Series = append(p.Series, run)
			run.Name, run.Samples = "", nil
		}
	}
	for _, o := range b.Offsets {
		if o.OffsetMM != nil {
			n++
			least, most = math.Min(least, *o.OffsetMM), math.Max(most, *o.OffsetMM)
			run.Samples = append(run.Samples, chart.Sample{X: o.TravelMM / 1000, Min: *o.OffsetMM, Max: *o.OffsetMM})
		}
		if o.Realigned {
			realigned++
			end()
			p.Marks = append(p.Marks, chart.Mark{Name: "realigned", Class: "chart-thin chart-dots", At: o.TravelMM / 1000})
		}
	}
	end()
	if n == 0 {
		return nil
	}
	between := wording.Offset(least)
	if n > 1 {
		between = "from " + between + " to " + wording.Offset(most)
	}
	caption := fmt.Sprintf("%s of the lateral offset, %s; the belt was %s.", wording.Count(n, "reading"), between, realignedTimes(realigned))
	if b.LimitMM > 0 {
		p.Limits = []chart.Limit{{Name: "limit", Class: "chart-second", At: b.LimitMM}, {Class: "chart-thin", At: 0}, {Name: "limit", Class: "chart-second", At: -b.LimitMM}}
		caption += fmt.Sprintf(" The limit is %s mm to either side.", plain(b.LimitMM))
	}
	if realigned > 0 {
		caption += " What offset was left after a realignment is not recorded."
	}
	return plot("Lateral offset of the belt over the lot", caption, p)
}

func realignedTimes(realigned int) string {
	switch realigned {
	case 0:
		return "not realigned"
	case 1:
		return "realigned once"
	}
	return fmt.Sprintf("realigned %d times", realigned)
}

// sizePicture shows the measured lengths of a job in their order, with the tolerance
// and, for the workshop, the control limits; nil with fewer than two.
func (j *Job) sizePicture() *picture {
	s := j.Size
	if s == nil || s.N < 2 {
		return nil
	}
	c := sizes.Sizes{First: 1, XTitle: "part measured, number", YTitle: "length along the belt, mm"}
	for _, l := range s.Lengths {
		c.Values = append(c.Values, l.MM)
	}
	if o := s.Ordered; o != nil {
		c.Nominal, c.Ordered = o.LengthMM, &quality.Tolerance{Lower: o.LengthMM - o.ToleranceMM, Upper: o.LengthMM + o.ToleranceMM}
	}
	caption := fmt.Sprintf("%s, from %s to %s mm, mean %s mm.", wording.Count(s.N, "measured length"), decimal(s.MinMM, 2), decimal(s.MaxMM, 2), decimal(s.MeanMM, 3))
	if j.Workshop != nil {
		caption += j.control(&c)
	}
	for _, line := range c.Describe(" mm") {
		caption += " " + line + "."
	}
	return plot("Lengths of "+clean(j.Name), caption, c.Plot())
}

// control adds what the workshop knows to a control chart, and says what the chart cannot.
func (j *Job) control(s *sizes.Sizes) (caption string) {
	c := &j.Workshop.Control
	if c.Phase == quality.Frozen {
		s.Limits = &sizes.Limits{Lower: c.LowerMM, Mean: c.MeanMM, Upper: c.UpperMM, Base: c.Base, From: c.From}
	} else if c.Missing > 0 {
		caption = fmt.Sprintf(" Control limits need %s more.", wording.Count(c.Missing, "length"))
	}
	for _, g := range c.Signals {
		s.Signals = append(s.Signals, quality.Signal{Index: int64(g.Length - 1), From: int64(max(1, g.From) - 1), Rule: g.Rule, Text: g.Text})
	}
	if c.From > 1 {
		s.Anew = []int{c.From}
		caption += fmt.Sprintf(" The belt's scale was set before length %d; limits are learned from there.", c.From)
	}
	if n := len(c.Signals); n > 0 {
		caption += fmt.Sprintf(" %s, listed in the table of the parts' sizes.", wording.Count(n, "signal"))
	}
	return caption
}
