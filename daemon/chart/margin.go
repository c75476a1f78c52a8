package chart

import (
	"cmp"
	"math"
	"slices"
)

// mostDots is how many circles of a series can still be told apart.
const mostDots = 120

// apartPX is the least distance of two names below one another.
const apartPX = TextPX + 1

// limits draws levels, their names in the margin. Names of levels that lie close
// together are moved apart, in their order.
func (d *Drawing) limits(f Box, y scale, list []Limit) {
	type name struct {
		text string
		y    float64
	}
	var names []name
	for _, l := range list {
		if !finite(l.At) {
			continue
		}
		at := y.at(l.At)
		d.Line(l.Class, Point{f.X, at}, Point{f.X + f.W, at})
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
		d.Text("chart-text", Point{f.X + f.W + 6, at + 5}, Start, names[i].text)
	}
}

// spread moves sorted places apart, as little as may be, within [from, to] while they
// fit there.
func spread(places []float64, from, to float64) []float64 {
	out := slices.Clone(places)
	for range len(out) { // each round settles one pair at least
		moved := false
		for i := 1; i < len(out); i++ {
			if lack := apartPX - (out[i] - out[i-1]); lack > 1e-6 {
				out[i-1], out[i] = out[i-1]-lack/2, out[i]+lack/2
				moved = true
			}
		}
		if !moved {
			break
		}
	}
	if n := len(out); n > 0 {
		shift := math.Max(0, from-out[0]) - math.Max(0, out[n-1]-to)
		for i := range out {
			out[i] += shift
		}
	}
	return out
}

// happenings draws what happened at places of the x axis.
func (d *Drawing) happenings(f Box, x scale, list []Mark) {
	free := math.Inf(-1) // from where on a name covers none before it
	for _, m := range list {
		at := x.at(m.At)
		if !finite(m.At) || at < f.X-0.5 || at > f.X+f.W+0.5 {
			continue
		}
		d.Line(m.Class, Point{at, f.Y}, Point{at, f.Y + f.H})
		wide := TextWidth(m.Name)
		left := math.Min(at+4, f.X+f.W-wide)
		if m.Name != "" && left > free {
			d.Text("chart-soft", Point{left, f.Y + 12}, Start, m.Name)
			free = left + wide + 6
		}
	}
}
