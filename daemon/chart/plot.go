package chart

import (
	"math"
	"strconv"
)

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
	// Sign is set on each sample. A dot is left out where there are too many to be seen apart.
	Sign Sign
	// Loose draws the signs alone, without the line that joins them.
	Loose bool
}

// Sign is the shape of a mark, so that no colour alone says what it is.
type Sign int

// Signs.
const (
	NoSign Sign = iota
	Dot
	Square // stands out, without colour too
)

// Limit is a level across the plot, or over a stretch of the x axis where the second end of Over is
// above its first. Its name stands in the margin, off the data; limits of one Key share an entry of the key.
type Limit struct {
	Name  string
	Class string
	At    float64
	Over  [2]float64
	Key   string
}

// Mark is something that happened at one place of the x axis: a line from top to
// bottom. Its name stands above the frame.
type Mark struct {
	Name  string
	Class string
	At    float64
}

// Span is a stretch of the x axis, tinted or hatched. Its name stands above the frame.
type Span struct {
	Name     string
	Class    string
	From, To float64
	Hatched  bool
}

// Plot is a diagram over two axes. Titles carry the unit.
type Plot struct {
	XTitle, YTitle string
	Series         []Series
	Limits         []Limit
	Marks          []Mark
	Spans          []Span
	// XSpan is what the x axis covers at least, when its second place is above its first.
	XSpan [2]float64
	// YSpan is what the y axis covers, when its second place is above its first: samples beyond it
	// are drawn at the edge, as an arrow.
	YSpan [2]float64
	// Whole says that the x axis counts things, so that no tick stands between two.
	Whole bool
	// Empty is said in the middle when there is no sample.
	Empty string
}

const (
	axisBottomPX = 50
	keyPX        = 22 // a line of the key
	titlePX      = 22 // the title of the y axis
	namePX       = 12 // from the frame to the names of limits
)

// Plot draws a diagram into a box: its key, the title of the y axis, the names of what happened, the frame.
func (d *Drawing) Plot(b Box, p Plot) {
	right := 8.0
	for _, l := range p.Limits {
		if l.Name != "" {
			right = math.Max(right, namePX+2+TextWidth(l.Name))
		}
	}
	top := d.key(b, p.keyed())
	if p.YTitle != "" {
		d.Text("chart-text", Point{b.X, b.Y + top + 15}, Start, Cut(p.YTitle, b.W))
		top += titlePX
	}
	xs, ys, any := p.spans()
	var frame Box
	var x scale
	var names []placed
	for rows := 0; ; { // the names above the frame take of its height, and so of the room for ticks
		high := b.H - top - axisBottomPX - float64(rows)*minNameGapPX - 16
		left := axisLeft(yTicks(ys, high))
		wide := math.Max(right, axisRight(p.xTicks(xs, b.W-left-right)))
		frame = Box{X: b.X + left, Y: b.Y + b.H - axisBottomPX - high, W: b.W - left - wide, H: high}
		if frame.W < 10 || frame.H < 10 {
			return // no room for a diagram: better none than one that is wrong
		}
		x = scale{xs[0], xs[1], frame.X, frame.X + frame.W}
		if !any {
			break
		}
		var need int
		if names, need = nameRows(b, frame, x, &p); need <= rows {
			break
		}
		rows = need
	}
	y := scale{ys[0], ys[1], frame.Y + frame.H, frame.Y}
	if any {
		d.spansOf(frame, x, p.Spans)
	}
	d.axes(b, frame, x, y, p)
	if !any {
		for i, line := range Wrap(p.Empty, frame.W) {
			d.Text("chart-soft", Point{frame.X + frame.W/2, frame.Y + frame.H/2 + float64(i)*minNameGapPX}, Middle, line)
		}
		return
	}
	free := [2]float64{math.Inf(-1), math.Inf(-1)}
	for _, s := range p.Series {
		if s.band() {
			d.series(s, frame, x, y, &free)
		}
	}
	d.limits(frame, x, y, p.Limits)
	d.events(frame, x, &p, names)
	for _, s := range p.Series {
		if !s.band() {
			d.series(s, frame, x, y, &free)
		}
	}
}

// band says whether the series is an area, which lies under all else.
func (s Series) band() bool {
	for _, v := range s.Samples {
		if v.Max > v.Min {
			return true
		}
	}
	return false
}

// keyEntry is one line of the key: a name with its sign.
type keyEntry struct {
	name, class string
	sign        Sign
	band, loose bool
}

func (p Plot) keyed() (list []keyEntry) {
	has := map[string]bool{"": true}
	for _, s := range p.Series {
		if !has[s.Name] {
			has[s.Name] = true
			list = append(list, keyEntry{s.Name, s.Class, s.Sign, s.band(), s.Loose})
		}
	}
	for _, l := range p.Limits {
		if !has[l.Key] && finite(l.At) {
			has[l.Key] = true
			list = append(list, keyEntry{name: l.Key, class: l.Class})
		}
	}
	return list
}

// key names the series, each with its sign, and returns its height.
func (d *Drawing) key(b Box, list []keyEntry) float64 {
	x, y := b.X, b.Y
	for i, e := range list {
		name := Cut(e.name, b.W-34)
		wide := 34 + TextWidth(name) + 14
		if i > 0 && x+wide-14 > b.X+b.W {
			x, y = b.X, y+keyPX
		}
		if e.band {
			d.Rect("chart-band", Box{x, y + 4, 28, 12})
			d.Line(e.class, Point{x, y + 4}, Point{x + 28, y + 4})
			d.Line(e.class, Point{x, y + 16}, Point{x + 28, y + 16})
		} else if !e.loose {
			d.Line(e.class, Point{x, y + 10}, Point{x + 28, y + 10})
		}
		d.sign(e.sign, e.class, Point{x + 14, y + 10})
		d.Text("chart-text", Point{x + 34, y + 15}, Start, name)
		x += wide
	}
	if len(list) == 0 {
		return 0
	}
	return y - b.Y + keyPX
}

// sign draws a mark at a place.
func (d *Drawing) sign(s Sign, class string, at Point) {
	switch s {
	case Dot:
		d.Circle(class+" chart-mark", at, 2.5)
	case Square:
		d.Rect("chart-ground", Box{at.X - 6, at.Y - 6, 12, 12}) // so that it is seen on a line
		d.Rect(class+" chart-mark", Box{at.X - 4.5, at.Y - 4.5, 9, 9})
	}
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
	if p.YSpan[1] > p.YSpan[0] {
		ys = p.YSpan
	}
	if xs[0] == xs[1] {
		xs[1] = xs[0] + math.Max(1, math.Abs(xs[0])*1e-3)
	}
	if ys[1]-ys[0] <= 1e-9*math.Max(1, math.Abs(ys[0])) {
		half := 1.0
		if ys[0] != 0 {
			half = RoundStep(math.Abs(ys[0]) / 200) // so that the one value is not drawn as if it stood on a mountain
		}
		ys = [2]float64{ys[0] - half, ys[1] + half}
	}
	step := RoundStep((ys[1] - ys[0]) / 5)
	ys = [2]float64{math.Floor(ys[0]/step+1e-9) * step, math.Ceil(ys[1]/step-1e-9) * step}
	return xs, ys, true
}

// axes draws the grid, the ticks and the title of the x axis.
func (d *Drawing) axes(b, f Box, x, y scale, p Plot) {
	xTicks := p.xTicks([2]float64{x.lo, x.hi}, f.W)
	levels := yTicks([2]float64{y.lo, y.hi}, f.H)
	for _, v := range levels {
		d.Line("chart-grid", Point{f.X, y.at(v)}, Point{f.X + f.W, y.at(v)})
		d.Text("chart-soft", Point{f.X - 6, y.at(v) + 5}, End, Label(v, tickStep(levels)))
	}
	for _, v := range xTicks {
		d.Line("chart-thin", Point{x.at(v), f.Y + f.H}, Point{x.at(v), f.Y + f.H + 4})
		d.Text("chart-soft", Point{x.at(v), f.Y + f.H + 24}, Middle, Label(v, tickStep(xTicks)))
	}
	d.Line("chart-thin", Point{f.X, f.Y + f.H}, Point{f.X + f.W, f.Y + f.H})
	d.Line("chart-thin", Point{f.X, f.Y}, Point{f.X, f.Y + f.H})
	title := Cut(p.XTitle, b.W)
	if title == "" {
		return
	}
	half := TextWidth(title) / 2
	d.Text("chart-text", Point{math.Max(b.X+half, math.Min(b.X+b.W-half, f.X+f.W/2)), f.Y + f.H + 45}, Middle, title)
}

// xTicks are the places of the x axis that have a figure: as many as stand apart.
func (p Plot) xTicks(xs [2]float64, widePX float64) []float64 {
	most := max(2, min(9, int(widePX/36)))
	if p.Whole {
		most = min(most, int(xs[1]-xs[0])+1)
	}
	for ; ; most-- {
		ticks := Ticks(xs[0], xs[1], most)
		wide := 0.0
		for _, v := range ticks {
			wide = math.Max(wide, TextWidth(Label(v, tickStep(ticks))))
		}
		if n := len(ticks); n < 2 || (wide+10)*float64(n-1) <= widePX*(ticks[n-1]-ticks[0])/(xs[1]-xs[0]) {
			return ticks
		}
	}
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

// axisLeft is the room for the ticks of the y axis.
func axisLeft(ticks []float64) float64 {
	wide := 20.0
	for _, v := range ticks {
		wide = math.Max(wide, 8+TextWidth(Label(v, tickStep(ticks))))
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
func (d *Drawing) series(s Series, f Box, x, y scale, free *[2]float64) {
	list := Decimate(s.Samples, x.lo, x.hi, int(f.W))
	low, high, area := make([]Point, 0, 2*len(list)), make([]Point, 0, 2*len(list)), false
	within := func(v float64) float64 { return y.at(math.Max(y.lo, math.Min(y.hi, v))) }
	var signs []Point
	for i, v := range list {
		if s.Steps && i > 0 {
			before := x.at(list[i-1].X)
			low, high = append(low, Point{before, within(v.Min)}), append(high, Point{before, within(v.Max)})
		}
		low, high = append(low, Point{x.at(v.X), within(v.Min)}), append(high, Point{x.at(v.X), within(v.Max)})
		area = area || v.Max > v.Min
		if v.Min >= y.lo && v.Max <= y.hi {
			signs = append(signs, low[len(low)-1])
			if v.Max > v.Min {
				signs = append(signs, high[len(high)-1])
			}
		}
	}
	if area && !s.Loose {
		round := append([]Point(nil), high...)
		for i := len(low) - 1; i >= 0; i-- {
			round = append(round, low[i])
		}
		d.Path("chart-band", round, true)
		d.Path(s.Class, high, false)
		d.Path(s.Class, low, false)
	} else if !s.Loose {
		d.Path(s.Class, low, false)
	}
	switch {
	case s.Sign == NoSign && len(list) == 1 && !area:
		d.Circle(s.Class, low[0], 3)
	case s.Sign == Dot && (area && !s.Loose || len(list) > maxDots):
	default:
		for _, at := range signs {
			d.sign(s.Sign, s.Class, at)
		}
	}
	d.beyond(s, list, f, x, y, free)
}

// beyond draws what lies beyond the y axis as an arrow at the edge, with its figure where there is room: from free on, at
// the upper and the lower edge.
func (d *Drawing) beyond(s Series, list []Sample, f Box, x, y scale, free *[2]float64) {
	for _, v := range list {
		for side, value := range [2]float64{v.Max, v.Min} {
			if side == 0 && value <= y.hi || side == 1 && value >= y.lo {
				continue
			}
			at, edge, way := x.at(v.X), f.Y, 1.0
			if side == 1 {
				edge, way = f.Y+f.H, -1.0
			}
			d.Arrow(s.Class+" chart-plain", Point{at, edge + way*18}, Point{at, edge})
			text := strconv.FormatFloat(value, 'g', 6, 64)
			wide := TextWidth(text)
			left := math.Min(at+8, f.X+f.W-wide)
			if left > free[side] && left > f.X && f.H > 60 { // a series that marks samples of another finds no room beside theirs
				d.Text("chart-text", Point{left, edge + way*10 + 5}, Start, text)
				free[side] = left + wide + 8
			}
		}
	}
}
