package supervisor

import (
	"context"
	"fmt"
	"time"

	"beltwarden/supervisor/bed"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// Ledger is what the run needs of the ledger. The real one is ledger.Ledger.
type Ledger interface {
	Commit(ctx context.Context, records ...ledger.Record) error
	History(ctx context.Context, port string, fold func(ledger.Past)) error
	LastCycle(ctx context.Context) (*ledger.Cycle, error)
	Belt(ctx context.Context) (ledger.Belt, error)
	Board(ctx context.Context, port string) (*ledger.BoardSeen, error)
	Trials(ctx context.Context, limit int) ([]ledger.Trial, error)
	LastState(ctx context.Context) (*ledger.State, error)
	EventsOf(ctx context.Context, kind string, limit int) ([]ledger.Event, error)
	Before() ledger.Stamp
	HeatStore
}

// Inspector reads a job again after a restart. The daemon passes job.Inspect
// with its options.
type Inspector func(ctx context.Context, path string) (*job.Plan, error)

// NewMachine returns a machine that goes on where the ledger says that the last
// process ended. start names this process, for the ids of alerts.
func NewMachine(ctx context.Context, set Settings, l Ledger, inspect Inspector, start string, now time.Time) (*Machine, error) {
	m := newMachine(set.withDefaults())
	m.now, m.since, m.state, m.start = now, now, Stopped, start
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
	if err := m.takeUpHistory(ctx, l); err != nil {
		return fail(err)
	}
	m.book.Since.At = now // the clock may have been wrong, then or now
	if seen, err := l.Board(ctx, set.Port.Path); err != nil {
		return fail(err)
	} else if seen != nil {
		m.known = seen
	}
	if err := m.loadTrials(ctx, l); err != nil {
		return fail(err)
	}
	if err := m.loadWarmth(ctx, l, now); err != nil {
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
		if err := m.takeUpLot(ctx, l, inspect, stateOf(last)); err != nil {
			return fail(err)
		}
	}
	m.reckonOutside(stateOf(last))
	shown := false
	if last != nil {
		if shown, err = shownSince(ctx, l, last); err != nil {
			return fail(err)
		}
	}
	m.resume(last, shown)
	return m, nil
}

// takeUpHistory folds what earlier processes have recorded, and remembers how long people took to come.
func (m *Machine) takeUpHistory(ctx context.Context, l Ledger) error {
	var held ledger.Stamp
	return l.History(ctx, m.set.Port.Path, func(p ledger.Past) {
		switch r := p.Record.(type) {
		case ledger.HoldBegun:
			held = p.Stamp
		case ledger.HoldEnded:
			if h := m.book.Hold; h != nil && h.ID == r.ID && held.Boot == p.Stamp.Boot && book.Released(r.How) {
				m.wait(h.Reason, p.Stamp.SinceStart-held.SinceStart)
			}
		}
		m.fold(p.Record, p.Stamp.At)
	})
}

// newMachine returns a machine of a ledger without records.
func newMachine(set Settings) *Machine {
	m := &Machine{set: set}
	m.guard = newHeatWatch(&m.set)
	m.book = book.New(book.Settings{SpoolTareG: set.SpoolTareG, ByCheck: byCheck})
	m.bed = bed.New(bed.Settings{LoopMM: set.LoopMM, SeamMM: set.SeamMM, ToDropMM: set.ToDropMM,
		OffsetLimitMM: set.OffsetLimitMM, WorstMMPerM: set.WorstDrift, Certainty: set.HoldCertainty})
	return m
}

// stateOf returns the state that the last process recorded last; one that cannot
// be read is taken for the worst.
func stateOf(last *ledger.State) State {
	was := Stopped
	if last != nil && was.UnmarshalText([]byte(last.State)) != nil {
		return Aborted
	}
	return was
}

// resume chooses the first state. Work that was left unfinished is a fault: the
// board may be hot and a part may lie under the head, so the machine is made
// safe and then waits for the operator. Otherwise it is simply stopped. shown: its heaters
// were shown to be off since.
func (m *Machine) resume(last *ledger.State, shown bool) {
	if last == nil {
		m.cause = Cause{CauseOperator, "first start"}
		return
	}
	was := stateOf(last)
	unfinished := m.cycle != nil
	switch was {
	case Aborted:
		if m.faulted() {
			m.resumeAborted(last, shown)
			return
		}
		m.guard.MayHeat() // the board may not have been reached since
		if !shown {
			m.guard.Unknown()
		}
	case Stopped, Idle, Complete, Resetting, Clearing:
	default:
		unfinished = true
	}
	m.cause = Cause{CauseRestart, "the daemon restarted; the machine was " + was.String()}
	if unfinished {
		m.guard.MayHeat()
		m.guard.Unknown()
		m.recover = true
		m.cause.Text = fmt.Sprintf("the daemon ended while the machine was %s", was)
		if m.resuming.from = was; was == Starting {
			m.resuming.from = Aborting // whether its lead-in had begun is not recorded
		}
	}
}

// Begin takes the first step after NewMachine: towards a board that is ready, or
// towards safety.
func (m *Machine) Begin(now time.Time) Output {
	m.now = now
	m.out = Output{}
	m.by = "the daemon"
	m.beginCare()
	m.settleTrial()
	switch {
	case m.state == Aborted:
		m.note("recovery", "the daemon restarted; the machine stays Aborted: "+m.cause.Text)
		m.openLink() // its readings are to show that the heaters are off
	case m.recover:
		m.note("recovery", m.cause.Text)
		m.change(Abort, m.cause) // it keeps where the belt is, which a second restart must not reckon again
		m.recover = false
	default:
		m.endHold("restart")
		m.change(Reset, m.cause)
	}
	m.by = ""
	m.watchClock()
	return m.out
}

// takeUp goes on with a cycle that an earlier process left open, and reckons how
// far it may have moved the belt unseen. The discharge begins only once the part's
// count is durable, so that a part not counted has at most its body before it.
func (m *Machine) takeUp(last *ledger.Cycle) {
	j := m.lot.Jobs[last.JobIndex]
	c := &cycle{lot: m.lot, seq: last.Seq, job: last.JobIndex, ordinal: last.Ordinal, endNumber: last.EndNumber,
		made: last.State == ledger.CycleStateMade, fromLedger: true, filamentMM: j.FilamentMMPerCycle}
	whole, from := j.BeltTravelMMPerCycle, last.BegunBelt
	if c.made {
		from = last.MadeBelt
	}
	switch plan := m.lot.plans[last.JobIndex]; {
	case plan != nil && c.made:
		whole -= plan.BeltTravelMM
	case plan != nil:
		whole = plan.BeltTravelMM
		c.leftAdvanceMM = plan.BeltAdvanceMM - (m.belt.base.AdvanceMM - from.AdvanceMM)
	}
	c.leftMM = max(0, whole-(m.belt.base.TravelMM-from.TravelMM))
	m.cycle = c
	if m.belt.known { // else an earlier restart has reckoned it
		m.belt.uncertainMM += c.leftMM
		if plan := m.lot.plans[last.JobIndex]; plan != nil && len(m.lot.plans) > 1 && !c.made {
			// The lead-in of a further job belongs to its first part.
			m.belt.uncertainMM += plan.LeadInBeltMM
		}
	}
	m.belt.known = false
}
