package supervisor

import (
	"context"

	"beltwarden/supervisor/ledger"
)

// mostLying bounds the parts that are shown on the belt.
const mostLying = 100

// lying is a part that may still lie on the belt: the net advances at which its two ends
// lay under the nozzle, and its sides on the X axis; both 0 when they are not known.
type lying struct {
	cycle        int64
	lotID        int64
	ordinal      int // nth cycle of its lot; 0 when that is not known
	fromMM, toMM float64
	xMM          [2]float64
}

// PartPlace is where a part lies on the belt: ahead of the nozzle towards the drop edge,
// and across.
type PartPlace struct {
	Cycle   int64      `json:"cycle"`
	LotID   int64      `json:"lot_id,omitempty"`
	Ordinal int        `json:"ordinal,omitempty"` // nth cycle of its lot; 0 when that is not known
	RearMM  float64    `json:"rear_mm"`
	FrontMM float64    `json:"front_mm"`
	XMM     [2]float64 `json:"x_mm"`             // its sides; both 0 when they are not known
	Making  bool       `json:"making,omitempty"` // it is being made
}

// loadLying takes up what may lie on the belt from an earlier process: the newest parts
// that were made after the belt was last found clear.
func (m *Machine) loadLying(ctx context.Context, l Ledger, checks []ledger.Check) error {
	parts, err := l.Laid(ctx, mostLying)
	if err != nil {
		return err
	}
	for _, p := range parts {
		m.belt.lying = append(m.belt.lying, lying{cycle: p.Seq, fromMM: p.FromMM, toMM: p.ToMM})
	}
	for _, c := range checks {
		if c.BeltCleared {
			m.belt.clearUntil(c.AdvanceMM)
		}
	}
	m.belt.dropped(m.set.ToDropMM)
	return nil
}

// clearUntil forgets the parts that were laid before the belt had advanced so far.
func (b *beltCount) clearUntil(advanceMM float64) {
	kept := b.lying[:0:0]
	for _, p := range b.lying {
		if p.toMM > advanceMM {
			kept = append(kept, p)
		}
	}
	b.lying = kept
}

// dropped forgets the parts that have passed the drop edge with their rear end. Where the
// edge is not known, the newest are kept.
func (b *beltCount) dropped(toDropMM float64) {
	kept := b.lying[:0:0] // snapshots may still hold the old list
	for _, p := range b.lying {
		if toDropMM <= 0 || b.base.AdvanceMM-p.toMM < toDropMM {
			kept = append(kept, p)
		}
	}
	b.lying = kept[max(0, len(kept)-mostLying):]
}

// partsOnBelt says where the parts on the belt are, the first made first, and the one that
// is being made last.
func (m *Machine) partsOnBelt() []PartPlace {
	var list []PartPlace
	at := m.belt.base.AdvanceMM
	place := func(p lying, making bool) {
		v := PartPlace{Cycle: p.cycle, LotID: p.lotID, Ordinal: p.ordinal, RearMM: at - p.toMM, FrontMM: at - p.fromMM, XMM: p.xMM, Making: making}
		if !making && m.set.ToDropMM > 0 && v.RearMM >= m.set.ToDropMM {
			return
		}
		list = append(list, v)
	}
	for _, p := range m.belt.lying {
		place(p, false)
	}
	if c := m.cycle; c != nil && !c.made && c.placed {
		if p := c.lot.plans[c.job]; p != nil {
			s := spanOf(p)
			place(lying{cycle: c.seq, lotID: c.lot.ID, ordinal: c.ordinal, fromMM: c.originMM + s.FromMM, toMM: c.originMM + s.ToMM, xMM: p.ExtentMM.X}, true)
		}
	}
	return list
}
