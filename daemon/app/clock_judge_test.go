package app

import (
	"context"
	"slices"
	"time"

	"beltwarden/daemon/report"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/ledger"
)

// judgeShown looks at what is shown now, as one sees it who gets times of day alone (Round(0)).
func (w *clockScene) judgeShown() {
	s := w.run.Snapshot()
	gone := time.Since(w.begun) + time.Minute
	since := func(what string, at time.Time) {
		if at.IsZero() {
			return
		}
		if d := s.At.Round(0).Sub(at.Round(0)); d < -time.Second || d > gone {
			w.t.Errorf("after %s: %s is shown as %s ago", gone, what, d)
		}
	}
	since("the state", s.Since)
	since("the reading", s.Heat.Read)
	ahead := func(what string, at time.Time) {
		if d := at.Round(0).Sub(s.At.Round(0)); !at.IsZero() && (d < 0 || d > 48*time.Hour) {
			w.t.Errorf("%s is shown as %s ahead", what, d)
		}
	}
	if s.Lot != nil {
		since("the part", s.Lot.PartBegun)
		ahead("the end of the lot", s.Lot.DoneAt)
	}
	if s.Next != nil {
		ahead("the next visit", s.Next.At)
		ahead("the earliest next visit", s.Next.Early)
	}
	if unset := s.At.Before(firstBuild); unset && s.Clock == "" {
		w.t.Errorf("the clock shows %s and nothing is said", s.At)
	}
}

// judgeEnd looks at what there is in the end.
func (w *clockScene) judgeEnd() {
	ctx := context.Background()
	problems, err := w.ledger.Check(ctx)
	if err != nil || len(problems) > 0 {
		w.t.Errorf("ledger: %v %q", err, problems)
	}
	w.judgeParts(ctx)
	w.judgeReport(ctx)
	w.judgeCalls(ctx)
	w.judgeCopies()
	if s := w.run.Snapshot(); s.Clock != "" && time.Since(w.starts[len(w.starts)-1]) > 2*time.Hour {
		w.t.Errorf("the clock is right and this is said of it: %s", s.Clock)
	}
}

func (w *clockScene) judgeParts(ctx context.Context) {
	cycles, err := w.ledger.Cycles(ctx, w.lot)
	if err != nil {
		w.t.Fatal(err)
	}
	record := w.rig.Record()
	whole := 0
	for _, c := range cycles {
		ended := slices.ContainsFunc(record, func(e rig.Executed) bool { return e.Number == c.EndNumber })
		if ended {
			whole++
		} else if c.State == ledger.CycleStateMade || c.State == ledger.CycleStateDischarged {
			w.t.Errorf("part %d is counted, and the machine has not made it to its end", c.Ordinal)
		}
	}
	counts, err := w.ledger.Counts(ctx, w.lot)
	if err != nil {
		w.t.Fatal(err)
	}
	if counts.Confirmed > whole || counts.CyclesBegun < whole || counts.Confirmed < counts.Ordered {
		w.t.Errorf("%d ordered, %d counted of %d begun; the machine has made %d", counts.Ordered, counts.Confirmed, counts.CyclesBegun, whole)
	}
}

// judgeReport holds every length of time of the report to the time that has gone by.
func (w *clockScene) judgeReport(ctx context.Context) {
	r, err := report.Read(ctx, w.ledger, w.lot, report.Settings{}, w.clock.Now())
	if err != nil {
		w.t.Fatal(err)
	}
	gone := time.Since(w.begun).Seconds() + 1
	length := func(what string, s float64) {
		if s < 0 || s > gone {
			w.t.Errorf("in %.0f s: %s takes %.0f s", gone, what, s)
		}
	}
	for _, h := range r.Workshop.Holds {
		// By the wall clock an hour may come on top, by which it was wrong at one of its ends, but no more.
		over := 0.0
		if h.ByWall {
			over = 2 * 3600
		}
		if h.LengthS < 0 || h.LengthS > gone+over {
			w.t.Errorf("a hold takes %.0f s", h.LengthS)
		}
	}
	p := r.Workshop.Production
	sum := 0.0
	for what, s := range map[string]float64{"production": p.ActualProductionS, "held": p.HeldS, "suspended": p.SuspendedS, "faults": p.FaultsS,
		"between": p.BetweenS, "idle": p.IdleS, "unattended": p.UnattendedS, "in work": p.InWorkS} {
		length(what, s)
		sum += s
	}
	length("all of it", sum)
	if limit := gone + 2*3600*float64(len(w.starts)); p.UnseenS < 0 || p.UnseenS > limit {
		w.t.Errorf("no daemon is said to have run for %.0f s", p.UnseenS)
	}
	for _, q := range r.Workshop.Parts {
		if q.CycleS != nil {
			length("a part", *q.CycleS)
		}
	}
}

// lateBy is how late a call may be: the bound on messages holds one back for an hour.
const lateBy = time.Hour + 10*time.Minute

// judgeCalls: each alert was sent once, and soon after the receiver could be reached.
func (w *clockScene) judgeCalls(ctx context.Context) {
	sent, err := w.ledger.Sent(ctx, "pocket", 0)
	if err != nil {
		w.t.Fatal(err)
	}
	queue, err := w.ledger.AlertQueue(ctx)
	if err != nil || len(queue) != 1 || queue[0].Pending > 1 {
		w.t.Errorf("what waits: %+v %v", queue, err)
	}
	for id, at := range w.phone.got {
		if len(at) != 1 {
			w.t.Errorf("%s was sent %d times", id, len(at))
		}
		late := at[0].Sub(w.queued[id])
		for _, minute := range w.away {
			if minute.After(w.queued[id].Add(-time.Minute)) && minute.Before(at[0]) {
				late -= time.Minute
			}
		}
		if w.queued[id].IsZero() || late > lateBy {
			w.t.Errorf("%s was sent %s late", id, late)
		}
	}
	if len(sent) == 0 || len(sent) > len(w.phone.got) {
		w.t.Errorf("%d messages are on record, and %d alerts were sent", len(sent), len(w.phone.got))
	}
}

// judgeCopies: about one backup in its time, whatever the clock says.
func (w *clockScene) judgeCopies() {
	last := w.begun
	for _, at := range append(w.copies, time.Now()) {
		// Within a process it is counted from its start. A start counts on from the newest copy, by a clock that may
		// have been an hour off at either; and it takes a while.
		if gap := at.Sub(last); gap > backupEvery+2*time.Hour+30*time.Minute {
			w.t.Errorf("no backup for %s", gap)
		}
		last = at
	}
	if most := len(w.starts) + int(sceneFor/backupEvery) + 1; len(w.copies) > most {
		w.t.Errorf("%d backups in %s and %d starts", len(w.copies), sceneFor, len(w.starts))
	}
}
