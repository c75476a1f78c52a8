package chart

import (
	"cmp"
	"math"
	"slices"
)

// maxDots is how many circles of a series can still be distinguished.
const maxDots = 120

// minNameGapPX is the least distance of two names below one another.
const minNameGapPX = TextPX + 3

// limits draws levels, their names in the margin. Names of levels that lie close
// together are moved apart, in their order.
func (d *Drawing) limits(f Box, x, y scale, list []Limit) {
	type name struct {
		text string
		y    float64
	}
	var names []name
	for _, l := range list {
		if !finite(l.At) || l.At < math.Min(y.lo, y.hi) || l.At > math.Max(y.lo, y.hi) {
			continue
		}
		at, from, to := y.at(l.At), f.X, f.X+f.W
		if l.Over[1] > l.Over[0] {
			from, to = math.Max(from, x.at(l.Over[0])), math.Min(to, x.at(l.Over[1]))
			if to <= from {
				continue
			}
		}
		d.Line(l.Class, Point{from, at}, Point{to, at})
		if l.Name != "" {
			names = append(names, name{l.Name, at})
		}
	}
	slices.SortStableFunc(names, func(a, b name) int { return cmp.Compare(a.y, b.y) })
	places := make([]float64, len(names))
	for i, n := range names {
		places[i] = n.y
	}
	for i, at := range spread(places, f.Y, f.Y+f.H) {
		if math.Abs(at-places[i]) > 1 {
			d.Line("chart-grid", Point{f.X + f.W, places[i]}, Point{f.X + f.W + namePX - 2, at})
		}
		d.Text("chart-text", Point{f.X + f.W + namePX, at + 5}, Start, names[i].text)
	}
}

// spread moves sorted places apart, each as little as possible, and keeps them within [from, to] if
// they fit. It is isotonic regression: once the least distances are subtracted, neighbours in
// falling order are pooled to their mean.
func spread(places []float64, from, to float64) []float64 {
	type pool struct{ sum, n float64 }
	var pools []pool
	for i, at := range places {
		pools = append(pools, pool{at - float64(i)*minNameGapPX, 1})
		for k := len(pools) - 1; k > 0 && pools[k].sum/pools[k].n < pools[k-1].sum/pools[k-1].n; k-- {
			pools[k-1].sum, pools[k-1].n = pools[k-1].sum+pools[k].sum, pools[k-1].n+pools[k].n
			pools = pools[:k]
		}
	}
	last := math.Max(from, to-float64(len(places)-1)*minNameGapPX)
	out := make([]float64, 0, len(places))
	for _, p := range pools {
		for range int(p.n) {
			out = append(out, math.Max(from, math.Min(last, p.sum/p.n))+float64(len(out))*minNameGapPX)
		}
	}
	return out
}

// placed is a name above the frame, and the mark or stretch that it belongs to.
type placed struct {
	text     string
	left, at float64
	row      int
}

// maxNameRows bounds the rows of names above a frame; what finds no room in them is left out,
// and its line stays.
const maxNameRows = 3

// nameRows puts the names of marks and stretches above the frame so that none covers another.
func nameRows(b, f Box, x scale, p *Plot) (list []placed, rows int) {
	for _, m := range p.Marks {
		if at := x.at(m.At); m.Name != "" && finite(m.At) && at >= f.X-0.5 && at <= f.X+f.W+0.5 {
			list = append(list, placed{text: m.Name, at: at})
		}
	}
	for _, s := range p.Spans {
		if from, to := math.Max(f.X, x.at(s.From)), math.Min(f.X+f.W, x.at(s.To)); s.Name != "" && finite(s.From, s.To) && to >= from {
			list = append(list, placed{text: s.Name, at: (from + to) / 2})
		}
	}
	slices.SortStableFunc(list, func(a, b placed) int { return cmp.Compare(a.at, b.at) })
	free := make([]float64, maxNameRows) // from where on a name in the row covers none before it
	for i := range free {
		free[i] = math.Inf(-1)
	}
	var out []placed
	for _, n := range list {
		wide := TextWidth(n.text)
		n.left = math.Max(b.X, math.Min(b.X+b.W-wide, n.at-wide/2))
		if wide > b.W {
			continue
		}
		if n.row = slices.IndexFunc(free, func(from float64) bool { return n.left >= from }); n.row < 0 {
			continue
		}
		free[n.row], rows = n.left+wide+8, max(rows, n.row+1)
		out = append(out, n)
	}
	return out, rows
}

// events draws what happened at places of the x axis, and names it.
func (d *Drawing) events(f Box, x scale, p *Plot, names []placed) {
	for _, m := range p.Marks {
		if at := x.at(m.At); finite(m.At) && at >= f.X-0.5 && at <= f.X+f.W+0.5 {
			d.Line(m.Class, Point{at, f.Y}, Point{at, f.Y + f.H})
		}
	}
	for _, n := range names {
		y := f.Y - 14 - float64(n.row)*minNameGapPX
		d.Line("chart-grid", Point{n.at, f.Y}, Point{n.at, y + 4})
		d.Text("chart-text", Point{n.left, y}, Start, n.text)
	}
}

// spansOf draws stretches of the x axis.
func (d *Drawing) spansOf(f Box, x scale, list []Span) {
	for _, s := range list {
		from, to := math.Max(f.X, x.at(s.From)), math.Min(f.X+f.W, x.at(s.To))
		if !finite(s.From, s.To) || to < from {
			continue
		}
		box := Box{from, f.Y, math.Max(2, to-from), f.H}
		if s.Hatched {
			d.Hatch(s.Class, box, 12)
		} else {
			d.Rect(s.Class, box)
		}
	}
}
