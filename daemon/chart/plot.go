package chart

import "math"

// Series is a row of samples drawn as a line, or as a band where they have a
// height. Classes are those of Style: chart-first, chart-second and so on, each with
// a dash of its own.
type Series struct {
	Name    string
	Class   string
	Samples []Sample
	// Steps holds each sample from the place before it to its own: a record of what
	// happened in stretches of time, of which nothing is known between their bounds.
	Steps bool
	// Dots sets a small circle on each sample, as long as there are few enough to be seen
	// apart: what lies between two readings was not read.
	Dots bool
}

// Limit is a level across the whole plot. Its name stands in the margin, off the data.
type Limit struct {
	Name  string
	Class string
	At    float64
}

// Mark is something that happened at one place of the x axis: a line from top to
// bottom. Its name stands at the top; one that would cover the name before it is left
// out, and the line stays.
type Mark struct {
	Name  string
	Class string
	At    float64
}

// Plot is a diagram over two axes. Titles carry the unit.
type Plot struct {
	XTitle, YTitle string
	Series         []Series
	Limits         []Limit
	Marks          []Mark
	// XSpan is what the x axis covers at least, when its second place is above its first.
	XSpan [2]float64
	// Whole says that the x axis counts things, so that no tick stands between two.
	Whole bool
	// Empty is said in the middle when there is no sample.
	Empty string
}

const (
	axisLeftPX   = 62 // ticks and title of the y axis, at least
	axisBottomPX = 42
	keyPX        = 22 // a line of the key
)

// Plot draws a diagram into a box, its key above it.
func (d *Drawing) Plot(b Box, p Plot) {
	right := 8.0
	for _, l := range p.Limits {
		right = math.Max(right, 8+TextWidth(l.Name))
	}
	top := d.key(b, p.Series)
	xs, ys, any := p.spans()
	high := b.H - top - axisBottomPX
	left := axisLeft(yTicks(ys, high))
	right = math.Max(right, axisRight(p.xTicks(xs, b.W-left-right)))
	frame := Box{X: b.X + left, Y: b.Y + top, W: b.W - left - right, H: high}
	if frame.W < 10 || frame.H < 10 {
		return // no room for a diagram: better none than one that is wrong
	}
	x := scale{xs[0], xs[1], frame.X, frame.X + frame.W}
	y := scale{ys[0], ys[1], frame.Y + frame.H, frame.Y}
	d.axes(frame, x, y, p)
	if !any {
		d.Text("chart-soft", Point{frame.X + frame.W/2, frame.Y + frame.H/2}, Middle, p.Empty)
		return
	}
	d.limits(frame, y, p.Limits)
	d.events(frame, x, p.Marks)
	for _, s := range p.Series {
		d.series(s, x, y, int(frame.W))
	}
}

// key names the series, each with a piece of its line, and returns its height.
func (d *Drawing) key(b Box, list []Series) float64 {
	x, y := b.X+axisLeftPX, b.Y
	named := false
	for _, s := range list {
		if s.Name == "" {
			continue
		}
		wide := 34 + TextWidth(s.Name) + 16
		if named && x+wide > b.X+b.W {
			x, y = b.X+axisLeftPX, y+keyPX
		}
		d.Line(s.Class, Point{x, y + 9}, Point{x + 28, y + 9})
		d.Text("chart-text", Point{x + 34, y + 14}, Start, s.Name)
		x += wide
		named = true
	}
	if !named {
		return TextPX / 2
	}
	return y - b.Y + keyPX + 6
}

// spans are what the axes cover: the data and the limits, widened to round places
// of y, and never empty.
func (p Plot) spans() (xs, ys [2]float64, any bool) {
	xs, ys = [2]float64{math.Inf(1), math.Inf(-1)}, [2]float64{math.Inf(1), math.Inf(-1)}
	for _, s := range p.Series {
		for _, v := range s.Samples {
			if !finite(v.X, v.Min, v.Max) {
				continue
			}
			any = true
			xs = [2]float64{math.Min(xs[0], v.X), math.Max(xs[1], v.X)}
			ys = [2]float64{math.Min(ys[0], v.Min), math.Max(ys[1], v.Max)}
		}
	}
	if p.XSpan[1] > p.XSpan[0] {
		xs = [2]float64{math.Min(xs[0], p.XSpan[0]), math.Max(xs[1], p.XSpan[1])}
	}
	for _, l := range p.Limits {
		if finite(l.At) {
			ys = [2]float64{math.Min(ys[0], l.At), math.Max(ys[1], l.At)}
		}
	}
	if !any {
		return [2]float64{0, 1}, [2]float64{0, 1}, false
	}
	if xs[0] == xs[1] {
		xs[1] = xs[0] + math.Max(1, math.Abs(xs[0])*1e-3)
	}
	if ys[1]-ys[0] <= 1e-9*math.Max(1, math.Abs(ys[0])) {
		ys = [2]float64{ys[0] - 1, ys[1] + 1}
	}
	step := RoundStep((ys[1] - ys[0]) / 5)
	ys = [2]float64{math.Floor(ys[0]/step+1e-9) * step, math.Ceil(ys[1]/step-1e-9) * step}
	return xs, ys, true
}

// axes draws the grid, the ticks and the titles.
func (d *Drawing) axes(f Box, x, y scale, p Plot) {
	xTicks := p.xTicks([2]float64{x.lo, x.hi}, f.W)
	levels := yTicks([2]float64{y.lo, y.hi}, f.H)
	for _, v := range levels {
		d.Line("chart-grid", Point{f.X, y.at(v)}, Point{f.X + f.W, y.at(v)})
		d.Text("chart-soft", Point{f.X - 6, y.at(v) + 5}, End, Label(v, tickStep(levels)))
	}
	for _, v := range xTicks {
		d.Line("chart-thin", Point{x.at(v), f.Y + f.H}, Point{x.at(v), f.Y + f.H + 4})
		d.Text("chart-soft", Point{x.at(v), f.Y + f.H + 19}, Middle, Label(v, tickStep(xTicks)))
	}
	d.Line("chart-thin", Point{f.X, f.Y + f.H}, Point{f.X + f.W, f.Y + f.H})
	d.Line("chart-thin", Point{f.X, f.Y}, Point{f.X, f.Y + f.H})
	d.Text("chart-text", Point{f.X + f.W/2, f.Y + f.H + 38}, Middle, p.XTitle)
	d.TextUp("chart-text", Point{f.X - axisLeft(levels) + 14, f.Y + f.H/2}, p.YTitle)
}

func (p Plot) xTicks(xs [2]float64, widePX float64) []float64 {
	most := max(2, min(9, int(widePX/64)))
	if p.Whole {
		most = min(most, int(xs[1]-xs[0])+1)
	}
	return Ticks(xs[0], xs[1], most)
}

// axisRight is the room that the last tick of the x axis may need beside the diagram.
func axisRight(ticks []float64) float64 {
	if len(ticks) == 0 {
		return 0
	}
	return 2 + TextWidth(Label(ticks[len(ticks)-1], tickStep(ticks)))/2
}

func yTicks(ys [2]float64, highPX float64) []float64 {
	return Ticks(ys[0], ys[1], max(2, min(9, int(highPX/24))))
}

// axisLeft is the room for the ticks and the title of the y axis.
func axisLeft(ticks []float64) float64 {
	wide := float64(axisLeftPX)
	for _, v := range ticks {
		wide = math.Max(wide, 28+TextWidth(Label(v, tickStep(ticks))))
	}
	return wide
}

func tickStep(t []float64) float64 {
	if len(t) < 2 {
		return 0
	}
	return t[1] - t[0]
}

// series draws the samples: the area from least to greatest, and both bounds of it.
func (d *Drawing) series(s Series, x, y scale, columns int) {
	list := Decimate(s.Samples, x.lo, x.hi, columns)
	low, high, area := make([]Point, 0, 2*len(list)), make([]Point, 0, 2*len(list)), false
	for i, v := range list {
		if s.Steps && i > 0 {
			before := x.at(list[i-1].X)
			low, high = append(low, Point{before, y.at(v.Min)}), append(high, Point{before, y.at(v.Max)})
		}
		low, high = append(low, Point{x.at(v.X), y.at(v.Min)}), append(high, Point{x.at(v.X), y.at(v.Max)})
		area = area || v.Max > v.Min
	}
	if len(list) == 1 {
		d.Circle(s.Class, low[0], 3)
	} else if s.Dots && !area && len(list) <= maxDots {
		for _, at := range low {
			d.Circle(s.Class, at, 2)
		}
	}
	if !area {
		d.Path(s.Class, low, false)
		return
	}
	round := append([]Point(nil), high...)
	for i := len(low) - 1; i >= 0; i-- {
		round = append(round, low[i])
	}
	d.Path("chart-band", round, true)
	d.Path(s.Class, high, false)
	d.Path(s.Class, low, false)
}
