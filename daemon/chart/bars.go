package chart

import "math"

// Bar is one of several amounts that are compared.
type Bar struct {
	Name  string
	Class string // an outline that is filled too: chart-part, or chart-made for a hollow one
	Value float64
	Text  string // the value in words, with its unit
}

const (
	barPX    = 16
	barRowPX = 26
)

// BarsHeight is how high so many bars are, px.
func BarsHeight(n int) float64 { return float64(n)*barRowPX + 4 }

// Bars draws amounts as bars from a common line, the name before each and its value
// in words behind it. Lengths are in proportion; one below 0 or not finite is none.
func (d *Drawing) Bars(b Box, list []Bar) {
	before, behind, most := 0.0, 0.0, 0.0
	for _, v := range list {
		before, behind = math.Max(before, TextWidth(v.Name)), math.Max(behind, TextWidth(v.Text))
		if finite(v.Value) {
			most = math.Max(most, v.Value)
		}
	}
	x := b.X + before + 8
	room := b.X + b.W - x - behind - 8
	if room < 10 || most <= 0 {
		return // no room, or nothing to compare: the words stand in the description
	}
	for i, v := range list {
		y := b.Y + float64(i)*barRowPX
		long := 0.0
		if finite(v.Value) {
			long = math.Max(0, v.Value) / most * room
		}
		d.Text("chart-text", Point{x - 8, y + 13}, End, v.Name)
		if long > 0 {
			d.Rect(v.Class, Box{x, y, long, barPX})
		}
		d.Text("chart-soft", Point{x + long + 8, y + 13}, Start, v.Text)
	}
	d.Line("chart-thin", Point{x, b.Y - 2}, Point{x, b.Y + float64(len(list))*barRowPX - 6})
}
