package metrics

import (
	"context"
	"maps"
	"slices"
	"strings"
	"unicode"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// maxScrapReasons bounds the series of scrap: reasons are the operator's words.
const maxScrapReasons = 12

// maxReason is the number of characters of a reason that a label keeps.
const maxReason = 40

// parts sends the counts of all lots together.
func (c *Collector) parts(ctx context.Context, out emitter, s *supervisor.Snapshot) error {
	current := int64(0)
	if s.Lot != nil {
		current = s.Lot.ID
	}
	t, err := c.totals.read(ctx, current)
	if err != nil {
		return err
	}
	if s.Lot != nil {
		t.lots[s.Lot.Status]++
	}
	for _, status := range []string{ledger.LotOpen, ledger.LotMade, ledger.LotClosed, ledger.LotEnded} {
		out.gauge(lotsSet, float64(t.lots[status]), status)
	}
	out.counter(partsBegun, float64(t.begun))
	out.counter(partsCompleted, float64(t.made))
	out.counter(partsGood, float64(t.good))
	out.gauge(partsUnverified, float64(t.unverified))
	out.gauge(partsWaiting, float64(t.interrupted))
	for reason, n := range t.scrap {
		out.counter(partsScrapped, float64(n), reason)
	}
	return nil
}

// tally is a sum of counts over lots.
type tally struct {
	lots                                       map[string]int // by status
	begun, made, good, unverified, interrupted int
	scrap                                      map[string]int // by the operator's word, as written
}

const otherReason = "other"

func (t *tally) add(c ledger.Counts) {
	t.begun += c.CyclesBegun + c.Void // a counter never falls
	t.made += c.Made
	t.good += c.Good
	t.unverified += c.Unverified
	t.interrupted += c.Interrupted
	for reason, n := range c.ScrapByReason {
		t.scrap[label(reason)] += n
	}
}

// label makes a bounded label of the operator's word.
func label(reason string) string {
	words := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == unicode.ReplacementChar {
			return ' '
		}
		return unicode.ToLower(r)
	}, reason)
	words = strings.Join(strings.Fields(words), " ")
	if r := []rune(words); len(r) > maxReason {
		words = string(r[:maxReason])
	}
	if words == "" {
		return otherReason
	}
	return words
}

// totals sums the counts of all lots. Lots before the one in progress do not change any more: they
// are read once for each new lot.
type totals struct {
	ledger Ledger

	// turn holds one token for the scrape that uses the rest. It waits for the
	// ledger meanwhile, which a mutex should not.
	turn    chan struct{}
	known   bool
	current int64    // the lot that is read at every scrape, 0 for none
	past    tally    // of all lots before it
	series  []string // the reasons that have a series of their own, for good
}

// read returns the sum over all lots, its scrap by the reasons that have a series.
func (t *totals) read(ctx context.Context, current int64) (tally, error) {
	select {
	case t.turn <- struct{}{}:
		defer func() { <-t.turn }()
	case <-ctx.Done():
		return tally{}, ctx.Err()
	}
	if !t.known || t.current != current {
		if err := t.reread(ctx, current); err != nil {
			return tally{}, err
		}
	}
	sum := t.past
	sum.scrap, sum.lots = maps.Clone(t.past.scrap), maps.Clone(t.past.lots)
	if current > 0 {
		c, err := t.ledger.Counts(ctx, current)
		if err != nil {
			return tally{}, err
		}
		sum.add(c)
	}
	t.nameSeries(sum.scrap)
	sum.scrap = t.bounded(sum.scrap)
	return sum, nil
}

func (t *totals) reread(ctx context.Context, current int64) error {
	lots, err := t.ledger.Lots(ctx)
	if err != nil {
		return err
	}
	past := tally{scrap: map[string]int{ledger.Interrupted: 0}, // its series is there from the start
		lots: map[string]int{}}
	for _, l := range lots {
		if l.ID == current {
			continue
		}
		c, err := t.ledger.Counts(ctx, l.ID)
		if err != nil {
			return err
		}
		past.lots[l.Status]++
		past.add(c)
		t.nameSeries(past.scrap) // lot by lot, so that the oldest reasons have a series after a restart too
	}
	t.past, t.current, t.known = past, current, true
	return nil
}

// nameSeries gives new reasons a series of their own as long as there is room. One that
// has a series keeps it, since a count that moved to "other" would look like parts.
func (t *totals) nameSeries(scrap map[string]int) {
	for _, reason := range slices.Sorted(maps.Keys(scrap)) {
		if reason != otherReason && len(t.series) < maxScrapReasons && !slices.Contains(t.series, reason) {
			t.series = append(t.series, reason)
		}
	}
}

func (t *totals) bounded(scrap map[string]int) map[string]int {
	out := map[string]int{otherReason: 0}
	for _, reason := range t.series {
		out[reason] = scrap[reason]
	}
	for reason, n := range scrap {
		if !slices.Contains(t.series, reason) {
			out[otherReason] += n
		}
	}
	return out
}

// alerts sends the outbox of the receivers that are configured.
func (c *Collector) alerts(ctx context.Context, out emitter) error {
	queue, err := c.o.Ledger.AlertQueue(ctx)
	if err != nil {
		return err
	}
	for _, name := range c.o.Receivers {
		var q ledger.Receiver // zero until its worker has read for the first time
		if i := slices.IndexFunc(queue, func(q ledger.Receiver) bool { return q.Name == name }); i >= 0 {
			q = queue[i]
		}
		out.gauge(alertsPending, float64(q.Pending), name)
		out.gauge(alertsFailing, float64(q.Failing), name)
		out.counter(alertsDelivered, float64(q.Delivered), name)
		out.timestamp(alertsOldest, q.Oldest.At, name)
	}
	return nil
}
