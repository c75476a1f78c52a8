package api

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// query returns a handler that answers with what is read of the ledger, within a bound.
func query[T any](b *api, look func(ctx context.Context, r *http.Request) (T, error)) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		ctx, cancel := context.WithTimeout(r.Context(), readLimit)
		defer cancel()
		v, err := look(ctx, r)
		if err != nil {
			return err
		}
		return answer(w, http.StatusOK, v)
	}
}

// lots lists all lots, the newest first.
func (b *api) lots(ctx context.Context, _ *http.Request) ([]client.LotSummary, error) {
	return Lots(ctx, b.Ledger)
}

// Lots returns all lots, the newest first.
func Lots(ctx context.Context, from Ledger) ([]client.LotSummary, error) {
	lots, err := from.Lots(ctx)
	if err != nil {
		return nil, err
	}
	list := make([]client.LotSummary, 0, len(lots))
	for _, l := range slices.Backward(lots) {
		c, err := from.Counts(ctx, l.ID)
		if err != nil {
			return nil, err
		}
		list = append(list, summary(l, c))
	}
	return list, nil
}

func (b *api) lot(ctx context.Context, r *http.Request) (*client.LotDetail, error) {
	id, err := lotID(r)
	if err != nil {
		return nil, err
	}
	return Lot(ctx, b.Ledger, id, b.Kept)
}

// Lot returns one lot with its history. kept reports whether the copy of a job is there; nil
// where there are none.
func Lot(ctx context.Context, from Ledger, id int64, kept func(digest string) bool) (*client.LotDetail, error) {
	l, err := from.Lot(ctx, id)
	if err != nil {
		return nil, err
	}
	c, err := from.Counts(ctx, id)
	if err != nil {
		return nil, err
	}
	cycles, err := from.Cycles(ctx, id)
	if err != nil {
		return nil, err
	}
	holds, err := from.Holds(ctx, id)
	if err != nil {
		return nil, err
	}
	checks, err := from.Checks(ctx, id, 0)
	if err != nil {
		return nil, err
	}
	times, err := from.Times(ctx, id)
	if err != nil {
		return nil, err
	}
	adhesion, err := supervisor.ReadAdhesion(ctx, from)
	if err != nil {
		return nil, err
	}
	d := &client.LotDetail{LotSummary: summary(l, c), ScrapByReason: c.ScrapByReason,
		InterruptedGood: c.InterruptedGood, InterruptedScrap: c.InterruptedScrap,
		Figures: supervisor.ProductionOf(l, c, cycles, holds, times), Adhesion: adhesion,
		Cycles: mapSlice(cycles, cycle), Holds: mapSlice(holds, hold), Checks: mapSlice(checks, check),
		Alterations: mapSlice(l.Alterations, func(a ledger.Alteration) client.Alteration {
			return client.Alteration{JobIndex: a.JobIndex, Kind: a.Kind, Line: a.Line, Text: a.Text, Why: a.Why}
		})}
	for i := range d.Jobs {
		if kept != nil && kept(d.Jobs[i].SHA256) {
			d.Jobs[i].Copy = client.CopyName(id, d.Jobs[i].Index)
		}
	}
	if d.ScrapByReason == nil {
		d.ScrapByReason = map[string]int{}
	}
	return d, nil
}

func (b *api) events(ctx context.Context, r *http.Request) ([]client.Event, error) {
	limit, err := queryInt(r, "limit", 100, 1, maxEvents)
	if err != nil {
		return nil, err
	}
	after, err := queryInt(r, "after", 0, 0, math.MaxInt64)
	if err != nil {
		return nil, err
	}
	events, err := b.Ledger.Events(ctx, int(limit), after)
	return mapSlice(events, func(e ledger.Event) client.Event {
		return client.Event{Stamp: stamp(e.Stamp), Kind: e.Kind, Text: e.Text}
	}), err
}

// queryInt reads a whole number of the query.
func queryInt(r *http.Request, name string, otherwise, least, most int64) (int64, error) {
	text := r.URL.Query().Get(name)
	if text == "" {
		return otherwise, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < least || n > most {
		return 0, &badRequest{http.StatusBadRequest, fmt.Sprintf("%s is %q", name, text), fmt.Sprintf("write a whole number from %d to %d", least, most)}
	}
	return n, nil
}

// mapSlice converts a list; an empty one becomes [] in JSON and not null.
func mapSlice[From, To any](list []From, convert func(From) To) []To {
	out := make([]To, 0, len(list))
	for _, v := range list {
		out = append(out, convert(v))
	}
	return out
}
