package chart

import (
	"fmt"
	"math"
)

// aboveStrip says which way the belt runs, and what nozzle and edge are. Each has
// a row of its own, so no two texts meet however close their places are.
func (d *Drawing) aboveStrip(b Box, s *beltScale) {
	words := "the belt carries parts this way"
	y := b.Y + 14
	d.Arrow("chart-line", Point{b.X + marginPX, y - 5}, Point{b.X + marginPX + 60, y - 5})
	d.Text("chart-text", Point{b.X + marginPX + 68, y}, Start, words)
	for i, l := range []struct {
		text string
		x    float64
	}{{"drop edge", s.x(s.v.ToDropMM)}, {"nozzle", s.zeroX}} {
		if i == 0 && s.v.ToDropMM <= 0 {
			continue
		}
		y := b.Y + 14 + float64(i+1)*rowPX
		half := TextWidth(l.text) / 2
		d.Text("chart-text", Point{math.Max(b.X+marginPX+half, math.Min(b.X+b.W-marginPX-half, l.x)), y}, Middle, l.text)
		d.Line("chart-thin", Point{l.x, y + 4}, Point{l.x, s.stripTop - 6})
	}
}

// belowStrip draws the dimensions, a row each, and the scale bar, and returns where
// it ends.
func (d *Drawing) belowStrip(b Box, s *beltScale, n int) float64 {
	v := s.v
	y := s.stripTop + s.high + 22
	type dim struct {
		name     string
		from, to float64 // mm
	}
	list := []dim{{"part", v.RearMM, v.FrontMM}}
	if v.ToDropMM > 0 {
		list = append([]dim{{"to drop", 0, v.ToDropMM}}, list...)
	}
	if n > 0 {
		list = append(list, dim{"pitch", v.FrontMM, v.FrontMM + v.PitchMM})
		if v.FreeMM() > 0 {
			list = append(list, dim{"free belt", v.FrontMM, v.RearMM + v.PitchMM})
		}
	}
	for _, m := range list {
		d.dimension(b, s.x(m.from), s.x(m.to), y, fmt.Sprintf("%s %s mm", m.name, Figure(m.to-m.from, 1)))
		y += rowPX + 2
	}
	y += 4
	bar := RoundStep((b.W / 6) / s.pxPerMM)
	if bar*s.pxPerMM > (b.W-2*marginPX)*0.6 {
		bar /= 2
	}
	x0, x1 := b.X+marginPX, b.X+marginPX+bar*s.pxPerMM
	d.Path("chart-line", []Point{{x0, y - 5}, {x0, y}, {x1, y}, {x1, y - 5}}, false)
	d.Text("chart-text", Point{x1 + 8, y + 3}, Start, "scale: "+Label(bar, bar)+" mm")
	return y + 8
}

// dimension draws a line with arrows at both ends and its text in the gap, or beside
// it when it is short.
func (d *Drawing) dimension(b Box, x0, x1, y float64, text string) {
	d.Line("chart-grid", Point{x0, y - 10}, Point{x0, y + 4})
	d.Line("chart-grid", Point{x1, y - 10}, Point{x1, y + 4})
	wide, mid := TextWidth(text)+10, (x0+x1)/2
	switch {
	case x1-x0 > wide+30:
		d.Arrow("chart-line", Point{mid - wide/2, y}, Point{x0, y})
		d.Arrow("chart-line", Point{mid + wide/2, y}, Point{x1, y})
		d.Text("chart-text", Point{mid, y + 5}, Middle, text)
		return
	case x1-x0 > 24:
		d.Arrow("chart-line", Point{mid, y}, Point{x0, y})
		d.Arrow("chart-line", Point{mid, y}, Point{x1, y})
	default:
		d.Line("chart-line", Point{x0, y}, Point{x1, y})
	}
	if x1+8+wide < b.X+b.W-marginPX {
		d.Text("chart-text", Point{x1 + 8, y + 5}, Start, text)
	} else {
		d.Text("chart-text", Point{x0 - 8, y + 5}, End, text)
	}
}

// legend names every kind of mark, with its figures, and returns where it ends.
func (d *Drawing) legend(b Box, s *beltScale, n int, y float64) float64 {
	type entry struct {
		sign func(Box)
		text string
	}
	v := s.v
	list := []entry{{func(k Box) { d.Rect("chart-part", k) }, fmt.Sprintf("footprint of the part, %s mm along the belt, X %s to %s mm",
		Figure(v.LengthMM(), 1), Figure(v.LowXMM, 1), Figure(v.HighXMM, 1)) + v.side()}}
	switch {
	case v.ToDropMM <= 0:
		list = append(list, entry{nil, fmt.Sprintf("where the drop edge lies is not known; parts follow each other at a pitch of %s mm", Figure(v.PitchMM, 1))})
	case n > 0:
		text := plural(n, "finished part") + " on the belt as the cycle begins"
		if n > maxParts {
			text += fmt.Sprintf(", %d drawn", maxParts)
		}
		list = append(list, entry{func(k Box) { d.Rect("chart-made", k); d.Hatch("chart-made", k, 6) }, text})
	default:
		list = append(list, entry{nil, "no finished part lies on the belt as the cycle begins"})
	}
	for i, h := range v.Head {
		list = append(list, entry{func(k Box) {
			d.Path(headClass(i), []Point{{k.X, k.Y}, {k.X + k.W, k.Y}, {k.X + k.W, k.Y + k.H}, {k.X, k.Y + k.H}}, true)
		}, fmt.Sprintf("head above %s mm over the nozzle's tip: %s mm in front, %s mm behind",
			Figure(h.AboveMM, 1), Figure(h.FrontMM, 1), Figure(h.BehindMM, 1))})
	}
	if v.SeamMM > 0 {
		list = append(list, entry{func(k Box) { d.Hatch("chart-third", k, 7) }, fmt.Sprintf("seam, %s mm: drawn where it first matters, close behind the part. No part may lie on it", Figure(v.SeamMM, 1))})
	}
	if over := v.OverhangMM(); over > 0 {
		list = append(list, entry{nil, fmt.Sprintf("while it is printed the part reaches %s mm beyond the drop edge", Figure(over, 1))})
	}
	for _, e := range list {
		if e.sign != nil {
			e.sign(Box{b.X + marginPX, y, 24, 12})
		}
		for _, line := range Wrap(e.text, b.W-2*marginPX-34) {
			d.Text("chart-text", Point{b.X + marginPX + 34, y + 11}, Start, line)
			y += rowPX - 2
		}
		y += 3
	}
	return y
}

// side says which side of the picture greater X is on.
func (v *BeltView) side() string {
	if v.HighXUp {
		return " (greater X above)"
	}
	return " (greater X below)"
}
