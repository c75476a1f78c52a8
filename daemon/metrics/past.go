package metrics

import (
	"context"
	"maps"
	"sync"
)

// kinds are those of noted events; any other is "other".
var kinds = []string{"board", "care", "correction", "fault", "heat", "link", "lot", "override", "recovery", "retention", "scale", "trial", otherCode}

const (
	eventsAtOnce  = 1000
	maxEventReads = 20 // in one scrape; a longer history is caught up with by the next ones
)

// events counts what was noted. Each is read once.
type events struct {
	ledger Ledger

	mu     sync.Mutex
	seen   int64 // sequence of the newest that is counted, -1 for none: 0 reads the newest ones
	counts map[string]int

	removed  map[string]int // by kind, when counting began; those were too old to be read
	complete bool           // the history was read to its end
}

func newEvents(l Ledger) *events { return &events{ledger: l, seen: -1, counts: map[string]int{}} }

// begin starts with what was removed from the ledger as old, so that totals never fall.
func (e *events) begin(ctx context.Context) (err error) {
	if e.seen >= 0 || e.removed != nil {
		return nil
	}
	if e.removed, err = e.ledger.TrimmedEvents(ctx); err != nil {
		return err
	}
	for kind, n := range e.removed {
		e.counts[known(kinds, kind)] += n
	}
	return nil
}

// checkComplete says whether all of the history was counted: none of it must have been removed
// before it was read. Then it is counted again.
func (e *events) checkComplete(ctx context.Context) (bool, error) {
	if e.complete {
		return true, nil
	}
	now, err := e.ledger.TrimmedEvents(ctx)
	if err != nil {
		return false, err
	}
	if e.complete = maps.Equal(now, e.removed); !e.complete {
		e.seen, e.counts, e.removed = -1, map[string]int{}, nil
	}
	return e.complete, nil
}

// emit sends the counts, once it has caught up with the ledger.
func (e *events) emit(ctx context.Context, out emitter) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	if err := e.begin(ctx); err != nil {
		return err
	}
	for range maxEventReads {
		list, err := e.ledger.Events(ctx, eventsAtOnce, e.seen)
		if err != nil {
			return err
		}
		for _, v := range list {
			e.counts[known(kinds, v.Kind)]++
			e.seen = v.Stamp.Seq
		}
		if len(list) < eventsAtOnce {
			if ok, err := e.checkComplete(ctx); err != nil || !ok {
				return err
			}
			for _, kind := range kinds {
				out.counter(eventsSeen, float64(e.counts[kind]), kind)
			}
			return nil
		}
	}
	return nil
}
