package chart

import (
	"cmp"
	"math"
	"slices"
)

// maxDots is how many circles of a series can still be distinguished.
const maxDots = 120

// minNameGapPX is the least distance of two names below one another.
const minNameGapPX = TextPX + 1

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

// spread moves sorted places apart, each as little as may be, and keeps them within
// [from, to] while they fit there. Less their least distances they are to rise or stay:
// neighbours that fall are pooled to their mean, which is the nearest rising row.
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

// events draws what happened at places of the x axis.
func (d *Drawing) events(f Box, x scale, list []Mark) {
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
