package metrics

import (
	"context"
	"sync"
)

// kinds are those of noted events; any other is "other".
var kinds = []string{"board", "correction", "fault", "heat", "link", "lot", "override", "recovery", "retention", "scale", "trial", otherCode}

const (
	eventsAtOnce   = 1000
	mostEventReads = 20 // in one scrape; a longer history is caught up with by the next ones
)

// events counts what was noted. Each is read once.
type events struct {
	ledger Ledger

	mu     sync.Mutex
	seen   int64 // sequence of the newest that is counted, -1 for none: 0 asks for the newest ones
	counts map[string]int
}

func newEvents(l Ledger) *events { return &events{ledger: l, seen: -1, counts: map[string]int{}} }

// tell sends the counts, once it has caught up with the ledger.
func (e *events) tell(ctx context.Context, out emitter) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	for range mostEventReads {
		list, err := e.ledger.Events(ctx, eventsAtOnce, e.seen)
		if err != nil {
			return err
		}
		for _, v := range list {
			e.counts[known(kinds, v.Kind)]++
			e.seen = v.Stamp.Seq
		}
		if len(list) < eventsAtOnce {
			for _, kind := range kinds {
				out.counter(eventsSeen, float64(e.counts[kind]), kind)
			}
			return nil
		}
	}
	return nil
}
