package metrics

import (
	"context"
	"sync"
	"time"

	"beltwarden/supervisor"
)

// figuresEvery is how often the production figures are computed again. They rest on
// the record of every cycle: too much to be read at every scrape, or to be waited for.
const figuresEvery = time.Minute

// classes are where the time of a lot can go.
var classes = []struct {
	name string
	of   func(*supervisor.Production) float64
}{
	{"producing", func(p *supervisor.Production) float64 { return p.ActualProductionS }},
	{"between", func(p *supervisor.Production) float64 { return p.BetweenS }},
	{"held", func(p *supervisor.Production) float64 { return p.HeldS }},
	{"suspended", func(p *supervisor.Production) float64 { return p.SuspendedS }},
	{"faults", func(p *supervisor.Production) float64 { return p.FaultsS }},
	{"unattended", func(p *supervisor.Production) float64 { return p.UnattendedS }},
	{"idle", func(p *supervisor.Production) float64 { return p.IdleS }},
	{"in_work", func(p *supervisor.Production) float64 { return p.InWorkS }},
	{"unseen", func(p *supervisor.Production) float64 { return p.UnseenS }},
}

// production keeps the figures of the lot in progress. A scrape gets those that there are
// and starts a new computation in the background, one at a time.
type production struct {
	ledger Ledger
	ctx    context.Context // of the computations; ends with Close
	end    context.CancelFunc
	work   sync.WaitGroup

	mu     sync.Mutex
	busy   bool // a computation runs
	closed bool
	lot    int64
	at     time.Time // when the newest computation was started
	newest *supervisor.Production
	err    error
}

func newProduction(l Ledger) *production {
	p := &production{ledger: l}
	p.ctx, p.end = context.WithCancel(context.Background())
	return p
}

// close waits for the computation that runs, and lets none begin.
func (p *production) close() {
	p.mu.Lock()
	p.closed = true
	p.mu.Unlock()
	p.end()
	p.work.Wait()
}

// emit sends the newest figures of the lot in progress.
func (p *production) emit(out emitter, s *supervisor.Snapshot, now time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if s.Lot == nil {
		p.newest, p.lot, p.err = nil, 0, nil
		return nil
	}
	if s.Lot.ID != p.lot {
		p.newest, p.lot, p.at, p.err = nil, s.Lot.ID, time.Time{}, nil
	}
	if age := now.Sub(p.at); !p.busy && !p.closed && (age < 0 || age >= figuresEvery) {
		p.busy, p.at = true, now
		p.work.Add(1)
		go p.compute(s.Lot.ID)
	}
	f := p.newest
	if f == nil {
		return p.err
	}
	if v := f.Figures; v != nil {
		out.gauge(oee, v.OEE)
		out.gauge(availability, v.Availability)
		out.gauge(effectiveness, v.Effectiveness)
		out.gauge(qualityRatio, v.QualityRatio)
		most := v.OEE
		if f.Most != nil {
			most = f.Most.OEE
		}
		out.gauge(oeeMost, most)
	}
	for _, c := range classes {
		out.gauge(productionFor, c.of(f), c.name)
	}
	return p.err
}

// compute makes the figures of a lot again. What it cannot read leaves the ones before.
func (p *production) compute(id int64) {
	defer p.work.Done()
	ctx, cancel := context.WithTimeout(p.ctx, readLimit)
	defer cancel()
	f, err := p.read(ctx, id)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.busy = false
	if p.lot != id {
		return // another lot has come
	}
	if p.err = err; err == nil {
		p.newest = f
	}
}

// read computes the figures from the lot's record.
func (p *production) read(ctx context.Context, id int64) (*supervisor.Production, error) {
	l, err := p.ledger.Lot(ctx, id)
	if err != nil {
		return nil, err
	}
	counts, err := p.ledger.Counts(ctx, id)
	if err != nil {
		return nil, err
	}
	cycles, err := p.ledger.Cycles(ctx, id)
	if err != nil {
		return nil, err
	}
	holds, err := p.ledger.Holds(ctx, id)
	if err != nil {
		return nil, err
	}
	times, err := p.ledger.Times(ctx, id)
	if err != nil {
		return nil, err
	}
	f := supervisor.ProductionOf(l, counts, cycles, holds, times)
	return &f, nil
}
