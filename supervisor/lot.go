package supervisor

import (
	"context"
	"fmt"
	"time"

	"beltwarden/supervisor/book"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
)

// lot is the order in work: its count, and what of it is of this process.
type lot struct {
	*book.Lot
	plans   []*job.Plan // nil where the file could not be inspected again
	missing string      // why a plan is missing
	led     map[int]bool
	going   bool // a part was begun since the run started
	heated  bool // and nothing was done since: the next part begins hot
	pace    pace.Model

	ready   *ReadyView // never altered: snapshots share it
	readyOf readyKey
	readyAt time.Time

	filamentMM float64 // running total when the newest part was made
}

// takeUpLot goes on with an open lot that the book has, and with a cycle left open when the last process ended in
// state was.
func (m *Machine) takeUpLot(ctx context.Context, l Ledger, inspect Inspector, was State) error {
	m.lot = &lot{Lot: m.book.Lot, led: map[int]bool{}}
	for _, j := range m.lot.Jobs {
		plan, err := inspect(ctx, j.Path)
		switch {
		case err != nil:
			m.lot.missing = fmt.Sprintf("job %s cannot be read again: %v", j.Path, err)
		case plan.SHA256 != j.SHA256:
			m.lot.missing = fmt.Sprintf("job %s has changed since the lot was opened", j.Path)
			plan = nil
		case plan.Begin.BedTargetC > 0 || plan.End.BedTargetC > 0:
			m.guard.There(heat.Bed) // the last process may have left it on
		}
		m.lot.plans = append(m.lot.plans, plan)
	}
	last, err := l.LastCycle(ctx)
	if err != nil || last == nil || last.LotID != m.lot.ID {
		return err
	}
	switch {
	case last.State == ledger.CycleStateBegun, last.State == ledger.CycleStateMade && m.discharging(was):
		m.takeUp(last)
	}
	return nil
}

// discharging reports whether the last part, which is made and not moved off, was
// being moved off when the last process ended in state was. In other states it was
// given up, which is recorded with the belt no longer known to be clear, and the
// operator may have cleared it since.
func (m *Machine) discharging(was State) bool {
	switch was {
	case Execute, Completing, Holding, Suspending, Stopping:
		return m.belt.known
	}
	return false
}
