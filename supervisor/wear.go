package supervisor

import (
	"context"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// mostLaid is how many of the newest parts count for the wear of the belt: what lay there
// years ago has worn off with the coating.
const mostLaid = 5000

// loadWear counts where parts have lain on the belt.
func (m *Machine) loadWear(ctx context.Context, l Ledger) error {
	if m.belt.wear = belt.NewWear(m.set.LoopMM); m.belt.wear == nil {
		return nil
	}
	parts, err := l.Laid(ctx, mostLaid)
	for _, p := range parts {
		m.belt.wear.Lay(p.FromMM, belt.Span{ToMM: p.ToMM - p.FromMM})
	}
	return err
}

// spanOf is a part's footprint from where the nozzle stands as it begins.
func spanOf(p *job.Plan) belt.Span {
	return belt.Span{FromMM: p.Placing.FootprintMM[0], ToMM: p.Placing.FootprintMM[1]}
}

// laid notes where a part that is made lies: the body began its net advance ago.
func (m *Machine) laid(c *cycle, out *Output) {
	p := c.lot.plans[c.job]
	if p == nil {
		return
	}
	origin, s := m.belt.base.AdvanceMM-p.BeltAdvanceMM, spanOf(p)
	out.record(ledger.PartLaid{Seq: c.seq, FromMM: origin + s.FromMM, ToMM: origin + s.ToMM})
	m.belt.lying = append(m.belt.lying, lying{cycle: c.seq, lotID: c.lot.ID, ordinal: c.ordinal, fromMM: origin + s.FromMM, toMM: origin + s.ToMM, xMM: p.ExtentMM.X})
	m.belt.dropped(m.set.ToDropMM)
	if m.belt.wear != nil {
		m.belt.wear.Lay(origin, s)
	}
}

// spreadMM is how much further the belt advances before the first part of a run, after
// advanceMM more, so that its parts lie where fewest have lain: a pitch that divides the
// loop would lay all of them on the same places for ever.
func (m *Machine) spreadMM(c *cycle, p *job.Plan, advanceMM float64) float64 {
	w := m.belt.wear
	if w == nil || !c.first {
		return 0
	}
	return w.ShiftMM(m.belt.base.AdvanceMM+advanceMM, spanOf(p), p.PitchMM, c.lot.wanted())
}
