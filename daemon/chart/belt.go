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
	maxParts   = 200 // drawn; more would be a grey bar
	marginPX   = 16
	rowPX      = 20
	stripMaxPX = 190 // across
	stripPadPX = 14
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
	s.pxPerMM = math.Min((inner-24)/(hi-lo), (stripMaxPX-2*stripPadPX)/math.Max(1e-6, v.HighXMM-v.LowXMM))
	s.zeroX = b.X + b.W/2 - (lo+hi)/2*s.pxPerMM
	s.high = math.Max(60, (v.HighXMM-v.LowXMM)*s.pxPerMM+2*stripPadPX)
	s.stripTop = b.Y + 3*rowPX + 12
	s.midY = s.stripTop + s.high/2
	d.drawStrip(b, &s, n)
	d.aboveStrip(b, &s)
	y := d.belowStrip(b, &s, n)
	y = d.legend(b, &s, n, y+8)
	return y - b.Y
}

// drawStrip draws the belt and what lies on it.
func (d *Drawing) drawStrip(b Box, s *beltScale, n int) {
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
	for k := 1; k <= min(n, maxParts); k++ {
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

func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
