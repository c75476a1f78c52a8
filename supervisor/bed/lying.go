package bed

import (
	"slices"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// maxParts limits the number of parts shown on the belt.
const maxParts = 100

// lyingPart is a part that may still lie on the belt: the net advances at which its two ends lay under the
// nozzle, and its sides on the X axis; both are 0 when unknown.
type lyingPart struct {
	book.Cycle
	fromMM, toMM float64
	xMM          [2]float64
}

// Place is where a part lies on the belt: ahead of the nozzle towards the drop edge, and across the
// belt.
type Place struct {
	Cycle   int64      `json:"cycle"`
	LotID   int64      `json:"lot_id,omitempty"`
	Ordinal int        `json:"ordinal,omitempty"` // nth cycle of its lot; 0 when unknown
	RearMM  float64    `json:"rear_mm"`
	FrontMM float64    `json:"front_mm"`
	XMM     [2]float64 `json:"x_mm"`             // its sides; both 0 when unknown
	Making  bool       `json:"making,omitempty"` // it is in progress
	// Interrupted: it was interrupted, and nobody has decided on it.
	Interrupted bool `json:"interrupted,omitempty"`
}

// addPart notes where a finished part lies.
func (b *Bed) addPart(r ledger.PartLaid, p Position, count *book.Book) {
	if b.Wear != nil {
		b.Wear.Lay(r.FromMM, belt.Span{ToMM: r.ToMM - r.FromMM})
	}
	part := lyingPart{Cycle: book.Cycle{Seq: r.Seq}, fromMM: r.FromMM, toMM: r.ToMM}
	if c, ok := count.CycleOf(r.Seq); ok {
		part.Cycle = c
	}
	b.parts = slices.DeleteFunc(append(b.parts, part), func(l lyingPart) bool { return b.pastDropEdge(p, l) })
	b.parts = b.parts[max(0, len(b.parts)-maxParts):]
}

// pastDropEdge reports whether a part's rear end has passed the drop edge; never if the edge is unknown.
func (b *Bed) pastDropEdge(p Position, l lyingPart) bool {
	return b.set.ToDropMM > 0 && p.AdvanceMM-l.toMM >= b.set.ToDropMM
}

// SetSides notes where the sides of the newest part lie on the X axis.
func (b *Bed) SetSides(xMM [2]float64) {
	if n := len(b.parts); n > 0 {
		b.parts[n-1].xMM = xMM
	}
}

// Clear notes that no part lies on the belt.
func (b *Bed) Clear() { b.parts = nil }

// Parts returns where the parts on the belt are, first made first.
func (b *Bed) Parts(p Position) (list []Place) {
	for _, l := range b.parts {
		if !b.pastDropEdge(p, l) {
			list = append(list, PlaceOf(p, l.Cycle, l.fromMM, l.toMM, l.xMM))
		}
	}
	return list
}

// PlaceOf returns the place of a part whose two ends lay under the nozzle at these net advances.
func PlaceOf(p Position, c book.Cycle, fromMM, toMM float64, xMM [2]float64) Place {
	return Place{Cycle: c.Seq, LotID: c.LotID, Ordinal: c.Ordinal, RearMM: p.AdvanceMM - toMM, FrontMM: p.AdvanceMM - fromMM, XMM: xMM}
}
