package chart

import (
	"fmt"
	"math"
)

// LiveBelt is a belt as it is now, seen from the drop edge towards the nozzle: parts come
// down the picture. Places along the belt are mm ahead of the nozzle, + towards the drop
// edge; places across it are mm of the X axis.
type LiveBelt struct {
	ToDropMM float64 // from the nozzle to the drop edge; 0 when it is not known
	Parts    []LivePart
	// LowXMM and HighXMM are the sides of the belt, or of what is known of it.
	LowXMM, HighXMM float64
	HighXRight      bool // draws greater X further to the right
	// SeamAheadMM is where the middle of the seam is, give or take SeamDoubtMM; nil when it
	// was not seen. SeamMM is its length.
	SeamAheadMM         *float64
	SeamMM, SeamDoubtMM float64
	// OffsetMM is how far the belt stands to the right as last read, nil when it was not
	// read; LimitMM is how far it may.
	OffsetMM *float64
	LimitMM  float64
}

// LivePart is one part on the belt. Sides that are both 0 are not known.
type LivePart struct {
	RearMM, FrontMM float64
	LowXMM, HighXMM float64
	Making          bool
	Label           string
}

// Bounds of the picture, px.
const (
	liveMaxHeightPX = 420
	liveSidePX      = 84 // for the names beside the belt
	liveTopPX       = 30
)

// liveScale maps the belt to pixels, alike in both directions.
type liveScale struct {
	v             *LiveBelt
	pxPerMM       float64
	midX, zeroY   float64 // of the belt's middle line; of the nozzle
	top, bottom   float64 // of the strip
	left, right   float64 // the sides of the belt if it stood at 0
	shiftPX       float64 // by the lateral offset
	fromMM, endMM float64
}

func (s *liveScale) y(aheadMM float64) float64 { return s.zeroY + aheadMM*s.pxPerMM }

func (s *liveScale) x(mm float64) float64 {
	d := mm - (s.v.LowXMM+s.v.HighXMM)/2
	if !s.v.HighXRight {
		d = -d
	}
	return s.midX + d*s.pxPerMM
}

// known returns a copy in which values that are not finite, or too large, count as unknown.
func (v *LiveBelt) known() *LiveBelt {
	k := *v
	for _, mm := range []*float64{&k.ToDropMM, &k.LowXMM, &k.HighXMM, &k.SeamMM, &k.SeamDoubtMM, &k.LimitMM} {
		if !finite(*mm) || math.Abs(*mm) > maxMM {
			*mm = 0
		}
	}
	k.LimitMM = math.Max(0, k.LimitMM)
	if k.SeamAheadMM != nil && !finite(*k.SeamAheadMM) {
		k.SeamAheadMM = nil
	}
	if k.OffsetMM != nil && !finite(*k.OffsetMM) {
		k.OffsetMM = nil
	}
	return &k
}

// maxMM is longer than any belt.
const maxMM = 1e6

// Live draws the belt into the width of the box, from its top, and returns the height used.
func (d *Drawing) Live(b Box, v *LiveBelt) float64 {
	v = v.known()
	s := liveScale{v: v, fromMM: -20, endMM: math.Max(v.ToDropMM, 40)}
	for _, p := range v.Parts {
		if finite(p.RearMM, p.FrontMM) && math.Abs(p.RearMM) < maxMM {
			s.fromMM, s.endMM = math.Min(s.fromMM, p.RearMM-6), math.Max(s.endMM, math.Min(p.FrontMM, s.endMM+60))
		}
	}
	width := v.HighXMM - v.LowXMM
	if !(width > 0) {
		d.Text("chart-soft", Point{b.X + marginPX, b.Y + 20}, Start, "nothing is known of the belt's size")
		return 30
	}
	s.pxPerMM = math.Min((b.W-2*liveSidePX)/(width+2*v.LimitMM), liveMaxHeightPX/(s.endMM-s.fromMM))
	s.midX = b.X + b.W/2
	s.top = b.Y + liveTopPX
	s.bottom = s.top + (s.endMM-s.fromMM)*s.pxPerMM
	s.zeroY = s.top - s.fromMM*s.pxPerMM
	s.left, s.right = s.midX-width/2*s.pxPerMM, s.midX+width/2*s.pxPerMM
	if v.OffsetMM != nil && finite(*v.OffsetMM) {
		s.shiftPX = math.Max(-liveSidePX/2, math.Min(liveSidePX/2, *v.OffsetMM*s.pxPerMM))
	}
	edge := s.bottom
	if v.ToDropMM > 0 {
		edge = s.y(v.ToDropMM)
	}
	d.liveStrip(&s, edge)
	d.liveSeam(&s, edge)
	for _, p := range v.Parts {
		d.livePart(&s, p)
	}
	d.Line("chart-line", Point{s.left - 8, s.zeroY}, Point{s.right + 8, s.zeroY})
	d.Text("chart-text", Point{s.left - 12, s.zeroY + 5}, End, "nozzle")
	if v.ToDropMM > 0 {
		d.Line("chart-edge", Point{s.left - 8, edge}, Point{s.right + 8, edge})
		d.Text("chart-text", Point{s.left - 12, edge + 5}, End, "drop edge")
		d.Text("chart-soft", Point{s.left - 12, (s.zeroY+edge)/2 + 5}, End, Figure(v.ToDropMM, 0)+" mm")
	}
	return d.liveRuler(b, &s, s.bottom+14) - b.Y
}

// liveStrip draws the belt where it stands, and how far to either side it may.
func (d *Drawing) liveStrip(s *liveScale, edge float64) {
	v := s.v
	d.Rect("chart-belt", Box{s.left + s.shiftPX, s.top, s.right - s.left, edge - s.top})
	for _, x := range []float64{s.left, s.right} {
		d.Line("chart-thin", Point{x + s.shiftPX, s.top}, Point{x + s.shiftPX, edge})
		for _, limit := range []float64{-v.LimitMM, v.LimitMM} {
			if v.LimitMM > 0 {
				d.Line("chart-second", Point{x + limit*s.pxPerMM, s.top}, Point{x + limit*s.pxPerMM, edge})
			}
		}
	}
	const way = "parts come towards you"
	d.Text("chart-soft", Point{s.midX, s.top - 10}, Middle, way)
	d.Arrow("chart-thin", Point{s.midX + TextWidth(way)/2 + 10, s.top - 22}, Point{s.midX + TextWidth(way)/2 + 10, s.top - 6})
}

func (d *Drawing) liveSeam(s *liveScale, edge float64) {
	v := s.v
	if v.SeamAheadMM == nil || v.SeamMM <= 0 || !finite(*v.SeamAheadMM, v.SeamDoubtMM) {
		return
	}
	half := v.SeamMM/2 + v.SeamDoubtMM
	from, to := math.Max(s.top, s.y(*v.SeamAheadMM-half)), math.Min(edge, s.y(*v.SeamAheadMM+half))
	if to <= from {
		return
	}
	box := Box{s.left + s.shiftPX, from, s.right - s.left, to - from}
	d.Hatch("chart-third", box, 7)
	d.Line("chart-third", Point{box.X, from}, Point{box.X + box.W, from})
	d.Line("chart-third", Point{box.X, to}, Point{box.X + box.W, to})
	d.Text("chart-text", Point{s.right + 12, (from+to)/2 + 5}, Start, "seam")
}

func (d *Drawing) livePart(s *liveScale, p LivePart) {
	if !finite(p.RearMM, p.FrontMM, p.LowXMM, p.HighXMM) {
		return
	}
	low, high := p.LowXMM, p.HighXMM
	if high <= low { // sides not known: the middle half of the belt
		quarter := (s.v.HighXMM - s.v.LowXMM) / 4
		low, high = s.v.LowXMM+quarter, s.v.HighXMM-quarter
	}
	x1, x2 := math.Min(s.x(low), s.x(high)), math.Max(s.x(low), s.x(high))
	y1, y2 := math.Max(s.top, s.y(p.RearMM)), math.Min(s.bottom, s.y(p.FrontMM))
	if y2 <= y1 {
		return
	}
	box := Box{x1, y1, math.Max(3, x2-x1), math.Max(3, y2-y1)}
	if p.Making {
		d.Rect("chart-part", box)
	} else {
		box.X += s.shiftPX // it has gone with the belt
		d.Rect("chart-made", box)
		d.Hatch("chart-made", box, 6)
	}
	if p.Label != "" && box.H >= TextPX {
		d.Text("chart-text", Point{s.right + 12, (y1+y2)/2 + 5}, Start, p.Label)
	}
}

// liveRuler draws the lateral offset once more, enlarged, between its limits.
func (d *Drawing) liveRuler(b Box, s *liveScale, y float64) float64 {
	v := s.v
	if !(v.LimitMM > 0) {
		return y
	}
	span := v.LimitMM * 1.25
	if v.OffsetMM != nil {
		span = math.Max(span, math.Min(3*v.LimitMM, math.Abs(*v.OffsetMM)*1.1))
	}
	x := scale{-span, span, b.X + 34, b.X + b.W - 34}
	y += 34
	d.Line("chart-line", Point{x.at(-span), y}, Point{x.at(span), y})
	for _, t := range Ticks(-span, span, 7) {
		d.Line("chart-thin", Point{x.at(t), y}, Point{x.at(t), y + 5})
		d.Text("chart-soft", Point{x.at(t), y + 20}, Middle, Label(t, RoundStep(2*span/6)))
	}
	for _, limit := range []float64{-v.LimitMM, v.LimitMM} {
		d.Line("chart-second", Point{x.at(limit), y - 14}, Point{x.at(limit), y + 4})
		d.Text("chart-text", Point{x.at(limit), y - 18}, Middle, "limit")
	}
	if v.OffsetMM != nil && finite(*v.OffsetMM) {
		at := x.at(math.Max(-span, math.Min(span, *v.OffsetMM)))
		d.Path("chart-line chart-solid", []Point{{at, y}, {at - 6, y - 12}, {at + 6, y - 12}}, true)
	}
	title := "lateral offset, mm; + is to the right"
	if v.OffsetMM == nil {
		title = "lateral offset, mm: not read yet"
	}
	d.Text("chart-text", Point{b.X + b.W/2, y + 40}, Middle, title)
	return y + 50
}

// Describe says in words what the picture shows.
func (v *LiveBelt) Describe() string {
	v = v.known()
	text := "The belt as seen from the drop edge towards the nozzle, to scale."
	if v.ToDropMM > 0 {
		text += fmt.Sprintf(" The drop edge is %s mm from the nozzle.", Figure(v.ToDropMM, 0))
	}
	made := 0
	for _, p := range v.Parts {
		if p.Making {
			text += " A part is being made at the nozzle."
		} else {
			made++
		}
	}
	text += " Finished parts on the belt: " + fmt.Sprint(made) + "."
	if v.SeamAheadMM != nil && v.SeamMM > 0 {
		text += fmt.Sprintf(" The middle of the seam is %s mm ahead of the nozzle, give or take %s mm.", Figure(*v.SeamAheadMM, 0), Figure(v.SeamDoubtMM, 0))
	}
	if v.OffsetMM != nil {
		text += fmt.Sprintf(" The belt stands %s mm to the right (less than 0: to the left), as last read; %s mm are allowed.", Figure(*v.OffsetMM, 1), Figure(v.LimitMM, 1))
	} else {
		text += " Its lateral offset was not read since it was realigned."
	}
	return text
}
