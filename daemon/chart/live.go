package chart

import (
	"cmp"
	"fmt"
	"math"
	"slices"
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
	State           PartState
	Label           string
}

// PartState is what is known of a part; each is drawn in a way of its own.
type PartState int

// States of parts.
const (
	NotLookedAt PartState = iota
	LookedAt
	Interrupted
	Making
	NextPart // where the next one will lie
	partStates
)

// stateNames are what the legend says of them.
var stateNames = [partStates]string{"not looked at", "looked at", "interrupted", "being made", "next part"}

// Bounds of the picture, px.
const (
	liveMaxHeightPX = 420
	liveSidePX      = 98 // for the names beside the belt
	liveTopPX       = 30
	liveNamePX      = 10 // from the belt to a name
)

// liveScale maps the belt to pixels, alike in both directions.
type liveScale struct {
	v             *LiveBelt
	b             Box
	pxPerMM       float64
	midX, zeroY   float64 // of the belt's middle line; of the nozzle
	top, bottom   float64 // of the strip
	left, right   float64 // the sides of the belt if it stood at 0
	shiftPX       float64 // by the lateral offset
	overPX        float64 // how far beyond its sides it is drawn at most
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
	s := liveScale{v: v, b: b, fromMM: -20, endMM: math.Max(v.ToDropMM, 40)}
	for _, p := range v.Parts {
		if p.known() {
			s.fromMM, s.endMM = math.Min(s.fromMM, p.RearMM-6), math.Max(s.endMM, math.Min(p.FrontMM, s.endMM+60))
		}
	}
	width := v.HighXMM - v.LowXMM
	if !(width > 0) {
		d.Text("chart-soft", Point{b.X + marginPX, b.Y + 20}, Start, "nothing is known of the belt's size")
		return 30
	}
	s.pxPerMM = math.Min((b.W-2*liveSidePX-16)/(width+2*v.LimitMM), liveMaxHeightPX/(s.endMM-s.fromMM))
	s.midX = b.X + b.W/2
	s.top = b.Y + liveTopPX
	s.bottom = s.top + (s.endMM-s.fromMM)*s.pxPerMM
	s.zeroY = s.top - s.fromMM*s.pxPerMM
	s.left, s.right = s.midX-width/2*s.pxPerMM, s.midX+width/2*s.pxPerMM
	s.overPX = v.LimitMM * s.pxPerMM
	if v.OffsetMM != nil && finite(*v.OffsetMM) {
		s.shiftPX = math.Max(-s.overPX-8, math.Min(s.overPX+8, *v.OffsetMM*s.pxPerMM))
	}
	s.overPX += 8
	edge := s.bottom
	if v.ToDropMM > 0 {
		edge = s.y(v.ToDropMM)
	}
	d.liveStrip(&s, edge)
	right := d.liveSeam(&s, edge)
	for _, p := range v.Parts {
		d.livePart(&s, p)
	}
	left := []liveName{{"nozzle", s.zeroY, true}}
	d.Line("chart-line", Point{s.left - 6, s.zeroY}, Point{s.right + 6, s.zeroY})
	if v.ToDropMM > 0 {
		d.Line("chart-edge", Point{s.left - 6, edge}, Point{s.right + 6, edge})
		left = append(left, liveName{"drop edge", edge, true}, liveName{Figure(v.ToDropMM, 0) + " mm", (s.zeroY + edge) / 2, false})
	}
	y := math.Max(s.bottom, d.liveNames(&s, left, End))
	y = math.Max(y, d.liveNames(&s, append(right, s.partNames()...), Start))
	y = d.liveLegend(b, &s, y+14)
	return d.liveRuler(b, &s, y) - b.Y
}

// known says whether a part has a place.
func (p LivePart) known() bool {
	return finite(p.RearMM, p.FrontMM, p.LowXMM, p.HighXMM) && math.Abs(p.RearMM) < maxMM && math.Abs(p.FrontMM) < maxMM
}

// liveName is a name beside the belt and the y that it belongs to. One that need not be is left out where it
// finds no room at its place.
type liveName struct {
	text string
	y    float64
	must bool
}

// partNames are the names of the parts, in the order of their weight.
func (s *liveScale) partNames() (list []liveName) {
	add := func(must bool, which func(PartState) bool) {
		for i := len(s.v.Parts) - 1; i >= 0; i-- { // the newest first
			p := s.v.Parts[i]
			if !p.known() || p.Label == "" || !which(p.State) {
				continue
			}
			if y1, y2 := math.Max(s.top, s.y(p.RearMM)), math.Min(s.bottom, s.y(p.FrontMM)); y2 > y1 {
				list = append(list, liveName{p.Label, (y1 + y2) / 2, must})
			}
		}
	}
	add(true, func(p PartState) bool { return p == Making || p == NextPart })
	add(false, func(p PartState) bool { return p == Interrupted })
	add(false, func(p PartState) bool { return p == NotLookedAt || p == LookedAt })
	return list
}

// liveNames writes names in a column beside the belt, none over another, and returns where it ends.
func (d *Drawing) liveNames(s *liveScale, list []liveName, side Anchor) float64 {
	var chosen []liveName
	for _, n := range list {
		if n.must || !slices.ContainsFunc(chosen, func(c liveName) bool { return math.Abs(c.y-n.y) < minNameGapPX }) {
			chosen = append(chosen, n)
		}
	}
	slices.SortStableFunc(chosen, func(a, b liveName) int { return cmp.Compare(a.y, b.y) })
	places := make([]float64, len(chosen))
	for i, n := range chosen {
		places[i] = n.y
	}
	end := s.top
	for i, at := range spread(places, s.top+4, math.Max(s.top+4, s.bottom)) {
		x, edge := s.right+s.overPX+liveNamePX, s.right+s.overPX+1
		if side == End {
			x, edge = s.left-s.overPX-liveNamePX, s.left-s.overPX-1
		}
		if math.Abs(at-places[i]) > 2 {
			d.Line("chart-thin", Point{edge, places[i]}, Point{x + (edge-x)/4, at})
		}
		d.Text("chart-text", Point{x, at + 5}, side, Cut(chosen[i].text, liveSidePX-liveNamePX))
		end = math.Max(end, at+TextPX/2)
	}
	return end
}

// liveLegend names the kinds of marks that are there, and returns where it ends.
func (d *Drawing) liveLegend(b Box, s *liveScale, y float64) float64 {
	var counts [partStates]int
	for _, p := range s.v.Parts {
		if p.known() && math.Min(s.bottom, s.y(p.FrontMM)) > math.Max(s.top, s.y(p.RearMM)) && p.State >= 0 && p.State < partStates {
			counts[p.State]++
		}
	}
	type entry struct {
		text string
		draw func(Box)
	}
	var list []entry
	for _, state := range []PartState{Making, NotLookedAt, LookedAt, Interrupted, NextPart} {
		text := stateNames[state]
		if n := counts[state]; n == 0 {
			continue
		} else if n > 1 {
			text += fmt.Sprintf(": %d", n)
		}
		list = append(list, entry{text, func(k Box) { d.partShape(state, k) }})
	}
	if s.v.LimitMM > 0 {
		list = append(list, entry{"limit of the belt's sides", func(k Box) {
			d.Line("chart-second", Point{k.X, k.Y + k.H/2}, Point{k.X + k.W, k.Y + k.H/2})
		}})
	}
	x := b.X + 4
	for _, e := range list {
		wide := 32 + TextWidth(e.text)
		if x > b.X+4 && x+wide > b.X+b.W-4 {
			x, y = b.X+4, y+keyPX
		}
		e.draw(Box{x, y + 3, 26, 14})
		d.Text("chart-text", Point{x + 32, y + 15}, Start, e.text)
		x += wide + 14
	}
	if len(list) == 0 {
		return y
	}
	return y + keyPX
}

// partShape draws a part so that its state is told by its outline and what is in it.
func (d *Drawing) partShape(state PartState, box Box) {
	inside := box.H >= 7 && box.W >= 7
	switch state {
	case Making:
		d.Rect("chart-part", box)
	case LookedAt:
		d.Rect("chart-third", box)
		if inside { // a tick
			h := math.Min(box.H, box.W) / 2
			x, y := box.X+box.W/2, box.Y+box.H/2
			d.Path("chart-third", []Point{{x - h*0.6, y}, {x - h*0.15, y + h*0.5}, {x + h*0.7, y - h*0.6}}, false)
		}
	case Interrupted:
		d.Rect("chart-second", box)
		if inside {
			d.Line("chart-second chart-plain", Point{box.X, box.Y}, Point{box.X + box.W, box.Y + box.H})
			d.Line("chart-second chart-plain", Point{box.X, box.Y + box.H}, Point{box.X + box.W, box.Y})
		}
	case NextPart:
		d.Rect("chart-line chart-dots", box)
	default:
		d.Rect("chart-made", box)
		d.Hatch("chart-made", box, 6)
	}
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

// liveSeam draws the seam, and returns its name.
func (d *Drawing) liveSeam(s *liveScale, edge float64) []liveName {
	v := s.v
	if v.SeamAheadMM == nil || v.SeamMM <= 0 || !finite(*v.SeamAheadMM, v.SeamDoubtMM) {
		return nil
	}
	half := v.SeamMM/2 + v.SeamDoubtMM
	from, to := math.Max(s.top, s.y(*v.SeamAheadMM-half)), math.Min(edge, s.y(*v.SeamAheadMM+half))
	if to <= from {
		return nil
	}
	box := Box{s.left + s.shiftPX, from, s.right - s.left, to - from}
	d.Hatch("chart-third", box, 7)
	d.Line("chart-third", Point{box.X, from}, Point{box.X + box.W, from})
	d.Line("chart-third", Point{box.X, to}, Point{box.X + box.W, to})
	return []liveName{{"seam", (from + to) / 2, true}}
}

func (d *Drawing) livePart(s *liveScale, p LivePart) {
	if !p.known() {
		return
	}
	low, high := p.LowXMM, p.HighXMM
	if high <= low { // sides not known: the middle half of the belt
		quarter := (s.v.HighXMM - s.v.LowXMM) / 4
		low, high = s.v.LowXMM+quarter, s.v.HighXMM-quarter
	}
	shift := s.shiftPX // it has gone with the belt
	if p.State == Making || p.State == NextPart {
		shift = 0
	}
	within := func(x float64) float64 { return math.Max(s.left-s.overPX, math.Min(s.right+s.overPX-3, x)) }
	x1, x2 := within(math.Min(s.x(low), s.x(high))+shift), within(math.Max(s.x(low), s.x(high))+shift)
	y1, y2 := math.Max(s.top, s.y(p.RearMM)), math.Min(s.bottom, s.y(p.FrontMM))
	if y2 <= y1 {
		return
	}
	d.partShape(p.State, Box{x1, math.Min(y1, s.bottom-3), math.Max(3, x2-x1), math.Max(3, y2-y1)})
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
	ticks := Plot{}.xTicks([2]float64{-span, span}, x.toPX-x.fromPX)
	for _, t := range ticks {
		d.Line("chart-thin", Point{x.at(t), y}, Point{x.at(t), y + 5})
		if text := Label(t, tickStep(ticks)); x.at(t)-TextWidth(text)/2 >= b.X && x.at(t)+TextWidth(text)/2 <= b.X+b.W {
			d.Text("chart-soft", Point{x.at(t), y + 22}, Middle, text)
		}
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
	d.Text("chart-text", Point{b.X + b.W/2, y + 44}, Middle, title)
	return y + 52
}

// Describe says in words what the picture shows.
func (v *LiveBelt) Describe() string {
	v = v.known()
	text := "The belt as seen from the drop edge towards the nozzle, to scale."
	if v.ToDropMM > 0 {
		text += fmt.Sprintf(" The drop edge is %s mm from the nozzle.", Figure(v.ToDropMM, 0))
	}
	made, looked, interrupted := 0, 0, 0
	for _, p := range v.Parts {
		switch p.State {
		case Making:
			text += " A part is being made at the nozzle."
		case NextPart:
			text += fmt.Sprintf(" The next part will lie from %s to %s mm ahead of the nozzle (less than 0 is behind it).", Figure(p.RearMM, 0), Figure(p.FrontMM, 0))
		case Interrupted:
			interrupted++
		case LookedAt:
			looked++
			made++
		default:
			made++
		}
	}
	text += fmt.Sprintf(" Finished parts on the belt: %d, of which %d were looked at. Interrupted: %d.", made, looked, interrupted)
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
