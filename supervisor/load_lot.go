package supervisor

import (
	"beltwarden/supervisor/heat"
	"context"
	"fmt"

	"beltwarden/supervisor/ledger"
)

// loadLot takes up an open lot, its counts and a cycle left open.
func (m *Machine) loadLot(ctx context.Context, l Ledger, open *ledger.Lot, inspect Inspector, was State) error {
	counts, err := l.Counts(ctx, open.ID)
	if err != nil {
		return err
	}
	lt := &lot{Lot: *open, last: -1, led: map[int]bool{}, begun: counts.CyclesBegun + counts.Void, void: counts.Void, made: counts.Made}
	m.lot = lt
	if err := m.loadOrdered(ctx, l); err != nil {
		return err
	}
	for i, j := range open.Jobs {
		c := counts.ByJob[i]
		lt.jobs = append(lt.jobs, jobCount{ordered: j.GoodOrdered, made: c.Made,
			good: c.CheckedGood + c.InterruptedGood, scrap: c.CheckedScrap, interrupted: c.Interrupted, torn: c.InterruptedScrap})
		plan, err := inspect(ctx, j.Path)
		switch {
		case err != nil:
			lt.missing = fmt.Sprintf("job %s cannot be read again: %v", j.Path, err)
		case plan.SHA256 != j.SHA256:
			lt.missing = fmt.Sprintf("job %s has changed since the lot was opened", j.Path)
			plan = nil
		case plan.Begin.BedTargetC > 0 || plan.End.BedTargetC > 0:
			m.guard.There(heat.Bed) // the last process may have left it on
		}
		lt.plans = append(lt.plans, plan)
	}
	checks, err := l.ChecksInForce(ctx)
	if err != nil {
		return err
	}
	m.rules.partsSinceCheck = counts.Made
	if c := newestOf(checks, func(c ledger.Check) bool { return c.LotID == open.ID }); c != nil {
		m.rules.partsSinceCheck = max(0, counts.Made-c.CyclesMade)
	}
	m.takeUpSizes(checks)
	return m.loadCycles(ctx, l, was)
}

// loadCycles takes up interrupted parts that nobody has decided on, and a cycle
// that was not discharged when the last process ended in state was.
func (m *Machine) loadCycles(ctx context.Context, l Ledger, was State) error {
	cycles, err := l.Undecided(ctx, m.lot.ID)
	if err != nil {
		return err
	}
	for _, c := range cycles {
		m.undecided = append(m.undecided, openPart{m.lot, c.Seq, c.JobIndex})
	}
	last, err := l.LastCycle(ctx)
	if err != nil || last == nil || last.LotID != m.lot.ID {
		return err
	}
	m.lot.last = last.JobIndex
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
