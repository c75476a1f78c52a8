package bed

import (
	"slices"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// mostLying limits the number of parts shown on the belt.
const mostLying = 100

// lying is a part that may still lie on the belt: the net advances at which its two ends lay under the
// nozzle, and its sides on the X axis; both are 0 when unknown.
type lying struct {
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
}

// laid notes where a finished part lies.
func (b *Bed) laid(r ledger.PartLaid, p Position, count *book.Book) {
	if b.Wear != nil {
		b.Wear.Lay(r.FromMM, belt.Span{ToMM: r.ToMM - r.FromMM})
	}
	part := lying{Cycle: book.Cycle{Seq: r.Seq}, fromMM: r.FromMM, toMM: r.ToMM}
	if c, ok := count.CycleOf(r.Seq); ok {
		part.Cycle = c
	}
	b.lying = slices.DeleteFunc(append(b.lying, part), func(l lying) bool { return b.off(p, l) })
	b.lying = b.lying[max(0, len(b.lying)-mostLying):]
}

// off reports whether a part's rear end has passed the drop edge; never if the edge is unknown.
func (b *Bed) off(p Position, l lying) bool {
	return b.set.ToDropMM > 0 && p.AdvanceMM-l.toMM >= b.set.ToDropMM
}

// Sides notes where the sides of the newest part lie on the X axis.
func (b *Bed) Sides(xMM [2]float64) {
	if n := len(b.lying); n > 0 {
		b.lying[n-1].xMM = xMM
	}
}

// Clear notes that no part lies on the belt.
func (b *Bed) Clear() { b.lying = nil }

// Parts returns where the parts on the belt are, first made first.
func (b *Bed) Parts(p Position) (list []Place) {
	for _, l := range b.lying {
		if !b.off(p, l) {
			list = append(list, PlaceOf(p, l.Cycle, l.fromMM, l.toMM, l.xMM))
		}
	}
	return list
}

// PlaceOf returns the place of a part whose two ends lay under the nozzle at these net advances.
func PlaceOf(p Position, c book.Cycle, fromMM, toMM float64, xMM [2]float64) Place {
	return Place{Cycle: c.Seq, LotID: c.LotID, Ordinal: c.Ordinal, RearMM: p.AdvanceMM - toMM, FrontMM: p.AdvanceMM - fromMM, XMM: xMM}
}
