package supervisor

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"beltwarden/supervisor/book"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
)

// Ledger is the part of [ledger.Ledger] that the run uses.
type Ledger interface {
	Commit(ctx context.Context, records ...ledger.Record) error
	History(ctx context.Context, port string, fold func(ledger.Entry)) error
	LastCycle(ctx context.Context) (*ledger.Cycle, error)
	Belt(ctx context.Context) (ledger.Belt, error)
	Board(ctx context.Context, port string) (*ledger.BoardSeen, error)
	Trials(ctx context.Context, limit int) ([]ledger.Trial, error)
	LastState(ctx context.Context) (*ledger.State, error)
	EventsOf(ctx context.Context, kind string, limit int) ([]ledger.Event, error)
	Before() ledger.Stamp
	HeatStore
}

// Inspector inspects a job again after a restart. The daemon passes job.Inspect with its options.
type Inspector func(ctx context.Context, path string) (*job.Plan, error)

// NewMachine returns a machine that continues where the ledger says the last process ended. start
// identifies this process in the ids of alerts.
func NewMachine(ctx context.Context, set Settings, l Ledger, inspect Inspector, start string, now time.Time) (*Machine, error) {
	m := newMachine(set.withDefaults())
	m.now, m.since, m.state, m.processID = now, now, Stopped, start
	m.clock = clockWatch{began: now, newest: l.Before().At}
	fail := func(err error) (*Machine, error) {
		return nil, fmt.Errorf("cannot restore the last run: %w", err)
	}
	var err error
	if m.belt.base, err = l.Belt(ctx); err != nil {
		return fail(err)
	}
	m.belt.known = m.belt.base.Known
	m.belt.uncertainMM = m.belt.base.UncertainMM
	if err := m.foldHistory(ctx, l); err != nil {
		return fail(err)
	}
	m.book.Since.At = now // the clock may have been wrong, then or now
	if seen, err := l.Board(ctx, set.Port.Path); err != nil {
		return fail(err)
	} else if seen != nil {
		m.knownBoard = seen
	}
	if err := m.loadTrials(ctx, l); err != nil {
		return fail(err)
	}
	if err := m.loadLearned(ctx, l, now); err != nil {
		return fail(err)
	}
	if err := m.loadLatch(ctx, l); err != nil {
		return fail(err)
	}
	if err := m.loadAutoResume(ctx, l); err != nil {
		return fail(err)
	}
	last, err := l.LastState(ctx)
	if err != nil {
		return fail(err)
	}
	if open := m.book.Lot; open != nil && ledger.Unfinished(open.Status) {
		if err := m.restoreLot(ctx, l, inspect, stateOf(last)); err != nil {
			return fail(err)
		}
	}
	m.addUncertainOutsideParts(stateOf(last))
	shown := false
	if last != nil {
		if shown, err = shownOffSince(ctx, l, last); err != nil {
			return fail(err)
		}
	}
	m.restoreState(last, shown)
	return m, nil
}

// foldHistory folds the records of earlier processes, and collects how long people took to come.
func (m *Machine) foldHistory(ctx context.Context, l Ledger) error {
	var held ledger.Stamp
	return l.History(ctx, m.set.Port.Path, func(p ledger.Entry) {
		switch r := p.Record.(type) {
		case ledger.HoldBegun:
			held = p.Stamp
		case ledger.HoldEnded:
			if h := m.book.Hold; h != nil && h.ID == r.ID && held.Boot == p.Stamp.Boot && book.Released(r.How) {
				m.addWait(h.Reason, p.Stamp.SinceStart-held.SinceStart)
			}
		}
		m.fold(p.Record, p.Stamp.At)
	})
}

// loadTrials restores the trials. If the last process ended during one, the belt may have run the
// rest of its distance.
func (m *Machine) loadTrials(ctx context.Context, l Ledger) error {
	var err error
	if m.trials.list, err = l.Trials(ctx, maxTrials); err != nil {
		return err
	}
	if t := m.trials.open(); t != nil && !t.Ran {
		m.trials.interrupted = true
		m.belt.uncertainMM += max(0, t.RunMM-(m.belt.base.TravelMM-t.TravelMM))
	}
	return nil
}

// loadLearned restores what earlier processes learned of this port's heaters. A model that cannot
// be read is dropped.
func (m *Machine) loadLearned(ctx context.Context, l Ledger, now time.Time) error {
	texts, err := storedHeat(ctx, l, m.set.Port.Path)
	if err != nil {
		return err
	}
	h := heatersOf(texts)
	m.prior = pace.ReadPrior(texts[ledger.LearnedCycles])
	m.learned = learned{nozzle: heat.NewLearner(h.Nozzle), bed: heat.NewLearner(h.Bed), origin: now}
	if h.Bed != (heat.Model{}) { // the board has reported one
		m.guard.MarkPresent(heat.Bed)
	}
	return nil
}

// HeatStore is where models of heaters are stored: a [ledger.Ledger].
type HeatStore interface {
	Heat(ctx context.Context, port string) (map[string]json.RawMessage, error)
}

// ReadHeat returns the models of the heaters on a port. A model that cannot be read counts as none.
func ReadHeat(ctx context.Context, l HeatStore, port string) (job.Heaters, error) {
	texts, err := storedHeat(ctx, l, port)
	return heatersOf(texts), err
}

func storedHeat(ctx context.Context, l HeatStore, port string) (map[string]json.RawMessage, error) {
	texts, err := l.Heat(ctx, port)
	if err != nil {
		return nil, fmt.Errorf("cannot read the heaters' models: %w", err)
	}
	return texts, nil
}

// loadLatch restores a heat fault that nobody has released. Its text does not say which sensor it
// was, so none is trusted.
func (m *Machine) loadLatch(ctx context.Context, l Ledger) error {
	faults, err := l.EventsOf(ctx, eventHeatFault, 1)
	if err != nil || len(faults) == 0 {
		return err
	}
	mended, err := l.EventsOf(ctx, eventHeatRepaired, 1)
	if err != nil || len(mended) > 0 && mended[0].Stamp.Seq > faults[0].Stamp.Seq {
		return err
	}
	m.heatFault = faults[0].Text
	for _, i := range []heat.HeaterIndex{heat.Nozzle, heat.Bed} {
		m.guard.Distrust(i, "a heat fault occurred before the daemon restarted")
	}
	return nil
}

// loadAutoResume restores how often the machine has resumed by itself lately.
func (m *Machine) loadAutoResume(ctx context.Context, l Ledger) error {
	events, err := l.EventsOf(ctx, eventResumed, m.set.AutoResumePerDay)
	for _, e := range events {
		m.resumption.past = append(m.resumption.past, e.Stamp.At)
	}
	return err
}

// shownOffSince reports whether the heaters were shown to be off in the state that an earlier
// process left, and nothing contradicted it until that process ended. Nothing is heated in Aborted,
// so it is still true.
func shownOffSince(ctx context.Context, l Ledger, last *ledger.State) (bool, error) {
	shown, err := l.EventsOf(ctx, eventHeatOff, 1)
	if err != nil || len(shown) == 0 {
		return false, err
	}
	doubt, err := l.EventsOf(ctx, eventHeatDoubt, 1)
	at := shown[0].Stamp.Seq
	return at > last.Stamp.Seq && (len(doubt) == 0 || doubt[0].Stamp.Seq < at), err
}

// AdhesionStore is where adhesion is read from: a [ledger.Ledger].
type AdhesionStore interface {
	Stays(ctx context.Context) (*ledger.SurfaceRenewed, []ledger.Stay, error)
}

// ReadAdhesion reads how long parts have stayed on the belt since its surface was renewed.
func ReadAdhesion(ctx context.Context, l AdhesionStore) (Adhesion, error) {
	surface, stays, err := l.Stays(ctx)
	if err != nil {
		return Adhesion{}, err
	}
	return adhesionOf(surface, stays)
}

// restoreLot continues the open lot of the book, and a cycle that was left open when the last
// process ended in state was.
func (m *Machine) restoreLot(ctx context.Context, l Ledger, inspect Inspector, was State) error {
	m.lot = &lot{Lot: m.book.Lot, leadInDone: map[int]bool{}}
	for _, j := range m.lot.Jobs {
		plan, err := inspect(ctx, j.Path)
		switch {
		case err != nil:
			m.lot.missingPlan = fmt.Sprintf("job %s cannot be read again: %v", j.Path, err)
		case plan.SHA256 != j.SHA256:
			m.lot.missingPlan = fmt.Sprintf("job %s has changed since the lot was opened", j.Path)
			plan = nil
		case plan.Begin.BedTargetC > 0 || plan.End.BedTargetC > 0:
			m.guard.MarkPresent(heat.Bed) // the last process may have left it on
		}
		m.lot.plans = append(m.lot.plans, plan)
	}
	last, err := l.LastCycle(ctx)
	if err != nil || last == nil || last.LotID != m.lot.ID {
		return err
	}
	switch {
	case last.State == ledger.CycleStateBegun, last.State == ledger.CycleStateMade && m.discharging(was):
		m.restoreCycle(last)
	}
	return nil
}
