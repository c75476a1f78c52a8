package chart

import (
	"fmt"
	"math"
	"strings"
)

// BeltView is a belt seen from above as a cycle begins. Places along the belt are
// mm from the nozzle, + towards the drop edge; places across it are mm of the X axis.
type BeltView struct {
	ToDropMM float64 // from the nozzle to the drop edge; 0 when it is not known
	// RearMM and FrontMM are the ends of the footprint of the part to be made;
	// LowXMM and HighXMM its sides.
	RearMM, FrontMM, LowXMM, HighXMM float64
	// HighXUp draws greater X further up.
	HighXUp bool
	PitchMM float64
	SeamMM  float64 // stretch of belt without parts; 0 for none
	// AheadMM is the furthest that the part reaches ahead of the nozzle while it is
	// printed.
	AheadMM float64
	Head    []HeadStep
}

// HeadStep is how far the head reaches at a height above the nozzle's tip, mm.
type HeadStep struct{ AboveMM, FrontMM, BehindMM float64 }

// LengthMM is the footprint's length along the belt.
func (v *BeltView) LengthMM() float64 { return v.FrontMM - v.RearMM }

// FreeMM is the bare belt between two parts; below 0 when they would overlap.
func (v *BeltView) FreeMM() float64 { return v.PitchMM - v.LengthMM() }

// OverhangMM is how far the part reaches beyond the drop edge while it is printed; 0 when
// it does not, or the edge is not known.
func (v *BeltView) OverhangMM() float64 {
	if v.ToDropMM <= 0 {
		return 0
	}
	return math.Max(0, v.AheadMM-v.ToDropMM)
}

// Finished is how many parts made before lie on the belt as the cycle begins: those
// whose rear end has not passed the drop edge.
func (v *BeltView) Finished() int {
	if !(v.PitchMM > 0) || !(v.ToDropMM > 0) || !finite(v.RearMM, v.ToDropMM) {
		return 0
	}
	return int(math.Max(0, math.Min(1e6, math.Ceil((v.ToDropMM-v.RearMM)/v.PitchMM-1e-9)-1)))
}

const (
	mostParts   = 200 // drawn; more would be a grey bar
	marginPX    = 16
	rowPX       = 20
	stripMostPX = 190 // across
	stripPadPX  = 14
)

// beltScale maps the belt to pixels, alike in both directions.
type beltScale struct {
	v              *BeltView
	pxPerMM        float64
	zeroX          float64 // x of the nozzle
	midY           float64
	stripTop, high float64
}

func (s *beltScale) x(mm float64) float64 { return s.zeroX + mm*s.pxPerMM }

// part is the box of the part a number of pitches before the one to be made.
func (s *beltScale) part(k int) Box {
	v := s.v
	w, h := v.LengthMM()*s.pxPerMM, (v.HighXMM-v.LowXMM)*s.pxPerMM
	// A part smaller than a pixel still shows.
	return Box{X: s.x(v.RearMM + float64(k)*v.PitchMM), Y: s.midY - math.Max(2, h)/2, W: math.Max(2, w), H: math.Max(2, h)}
}

// Belt draws the view into the width of the box, from its top, and returns the
// height used.
func (d *Drawing) Belt(b Box, v *BeltView) float64 {
	s := beltScale{v: v}
	lo, hi := math.Min(0, v.RearMM), math.Max(v.ToDropMM, v.FrontMM)
	for _, h := range v.Head {
		lo, hi = math.Min(lo, -h.BehindMM), math.Max(hi, h.FrontMM)
	}
	n := v.Finished()
	if n > 0 {
		hi = math.Max(hi, v.FrontMM+float64(n)*v.PitchMM)
	}
	if v.SeamMM > 0 {
		lo = math.Min(lo, v.RearMM-v.SeamMM)
	}
	if !finite(lo, hi, v.LowXMM, v.HighXMM, v.PitchMM) || hi <= lo {
		d.Text("chart-soft", Point{b.X + marginPX, b.Y + 20}, Start, "the part has no extent on the belt")
		return 30
	}
	inner := b.W - 2*marginPX
	s.pxPerMM = math.Min((inner-24)/(hi-lo), (stripMostPX-2*stripPadPX)/math.Max(1e-6, v.HighXMM-v.LowXMM))
	s.zeroX = b.X + b.W/2 - (lo+hi)/2*s.pxPerMM
	s.high = math.Max(60, (v.HighXMM-v.LowXMM)*s.pxPerMM+2*stripPadPX)
	s.stripTop = b.Y + 3*rowPX + 12
	s.midY = s.stripTop + s.high/2
	d.strip(b, &s, n)
	d.overStrip(b, &s)
	y := d.underStrip(b, &s, n)
	y = d.legend(b, &s, n, y+8)
	return y - b.Y
}

// strip draws the belt and what lies on it.
func (d *Drawing) strip(b Box, s *beltScale, n int) {
	v, left, edge := s.v, b.X+marginPX, s.x(s.v.ToDropMM)
	if v.ToDropMM <= 0 {
		edge = b.X + b.W - marginPX // the belt goes on
	}
	top, bottom := s.stripTop, s.stripTop+s.high
	d.Rect("chart-belt", Box{left, top, edge - left, s.high})
	d.Line("chart-thin", Point{left, top}, Point{edge, top})
	d.Line("chart-thin", Point{left, bottom}, Point{edge, bottom})
	if v.SeamMM > 0 {
		seam := Box{s.x(v.RearMM - v.SeamMM), top, math.Max(2, v.SeamMM*s.pxPerMM), s.high}
		d.Hatch("chart-third", seam, 7)
		d.Line("chart-third", Point{seam.X, top}, Point{seam.X, bottom})
		d.Line("chart-third", Point{seam.X + seam.W, top}, Point{seam.X + seam.W, bottom})
	}
	for k := 1; k <= min(n, mostParts); k++ {
		p := s.part(k)
		d.Rect("chart-made", p)
		d.Hatch("chart-made", p, 6)
	}
	d.Rect("chart-part", s.part(0))
	for i, h := range v.Head {
		inset := 3 + 4*float64(i%3) // steps of equal reach stay apart
		d.Path(headClass(i), []Point{{s.x(-h.BehindMM), top + inset}, {s.x(h.FrontMM), top + inset},
			{s.x(h.FrontMM), bottom - inset}, {s.x(-h.BehindMM), bottom - inset}}, true)
	}
	if v.ToDropMM > 0 {
		d.Line("chart-edge", Point{edge, top - 6}, Point{edge, bottom + 6})
	}
	d.Line("chart-line", Point{s.zeroX, top - 6}, Point{s.zeroX, bottom + 6})
	d.Circle("chart-solid", Point{s.zeroX, s.midY}, 3.5)
}

// headClass gives each step of the head a dash of its own; after the third they recur.
func headClass(i int) string {
	return [3]string{"chart-second", "chart-second chart-dots", "chart-second chart-dashdot"}[i%3]
}

// overStrip says which way the belt runs, and what nozzle and edge are. Each has
// a row of its own, so no two texts meet however close their places are.
func (d *Drawing) overStrip(b Box, s *beltScale) {
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

// underStrip draws the dimensions, a row each, and the scale bar, and returns where
// it ends.
func (d *Drawing) underStrip(b Box, s *beltScale, n int) float64 {
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
		text := count(n, "finished part") + " on the belt as the cycle begins"
		if n > mostParts {
			text += fmt.Sprintf(", %d drawn", mostParts)
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

// Wrap breaks a text at its spaces into lines that fit a width, px.
func Wrap(text string, widthPX float64) []string {
	var lines []string
	line := ""
	for _, w := range strings.Fields(text) {
		if line != "" && TextWidth(line+" "+w) > widthPX {
			lines = append(lines, line)
			line = ""
		}
		line = strings.TrimPrefix(line+" "+w, " ")
	}
	return append(lines, line)
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
