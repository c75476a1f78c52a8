package ledger

import (
	"context"
	"errors"
	"testing"
	"time"
)

// make commits n parts of lot 1 of the given machine time, from cycle number first on.
func makeParts(t *testing.T, l *Ledger, first int64, n int, took time.Duration) {
	t.Helper()
	for i := range int64(n) {
		seq := first + i
		commit(t, l, CycleBegun{Seq: seq, LotID: 1, Ordinal: int(seq)},
			CycleMade{Seq: seq, Evidence: EvidenceConfirmed, MachineTime: took}, CycleDischarged{Seq: seq})
	}
}

// Parts count for the surface they were made on; a correction stands for what it corrects,
// and what had come off before the surface was renewed is no fault of the new one.
func TestStaysAreOfThePresentSurface(t *testing.T) {
	ctx, l := context.Background(), newLedger(t)
	stays := func() []Stay {
		_, s, err := l.Stays(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	commit(t, l, LotOpened{clips(1, 20)})
	makeParts(t, l, 1, 3, 20*time.Minute)
	off := map[string]int{Detached: 2, "warped": 1}
	commit(t, l, CheckRecorded{Check{ID: 1, LotID: 1, Scrap: map[string]int{Detached: 2}, DetachedAfter: []time.Duration{time.Minute}}})
	want := Stay{LotID: 1, Cycles: []time.Duration{20 * time.Minute, 20 * time.Minute, 20 * time.Minute}, Detached: 2, After: []time.Duration{time.Minute}}
	same(t, "stays", stays(), []Stay{want})
	commit(t, l, CheckRecorded{Check{ID: 2, LotID: 1, Corrects: 1, Good: 1, Scrap: map[string]int{Detached: 1}}})
	want.Good, want.Detached, want.After = 1, 1, nil
	same(t, "corrected", stays(), []Stay{want})

	renewed := SurfaceRenewed{How: "taped", TravelMM: 500, By: "kim"}
	commit(t, l, renewed)
	makeParts(t, l, 4, 4, 90*time.Minute)
	commit(t, l, CheckRecorded{Check{ID: 3, LotID: 1, Good: 1, Scrap: off, DetachedAfter: []time.Duration{80 * time.Minute, 1234567 * time.Microsecond}}})
	ninety := 90 * time.Minute
	same(t, "on the new one", stays(), []Stay{{LotID: 1, Cycles: []time.Duration{ninety, ninety, ninety, ninety}, Backlog: 1, Good: 1, Scrap: 1, Detached: 2,
		After: []time.Duration{80 * time.Minute, 1234 * time.Millisecond}}})
	s, _, err := l.Stays(ctx)
	if err != nil || s.Stamp.Seq == 0 {
		t.Errorf("%+v, %v", s, err)
	}
	same(t, "surface", recorded[SurfaceRenewed](t, l), []SurfaceRenewed{renewed})
	same(t, "check", recorded[CheckRecorded](t, l)[2].Check.DetachedAfter, []time.Duration{80 * time.Minute, 1234 * time.Millisecond})
	for what, bad := range map[string]Record{
		"more minutes than parts": CheckRecorded{Check{ID: 4, LotID: 1, DetachedAfter: []time.Duration{1}}},
		"a minute before":         CheckRecorded{Check{ID: 4, LotID: 1, Scrap: off, DetachedAfter: []time.Duration{-1}}},
		"no word":                 SurfaceRenewed{},
		"a plan below nothing":    LotOpened{Lot{ID: 2, Order: OrderTurn, Jobs: []LotJob{{PlannedRun: -1}}}},
	} {
		if err := l.Commit(ctx, bad); !errors.Is(err, ErrInvalid) {
			t.Errorf("%s gives %v", what, err)
		}
	}
	same(t, "problems", must(l.Check(ctx))(t), []string(nil))
}

// The times of a lot end with it, and each start has its last sign of life.
func TestTimesOfALot(t *testing.T) {
	ctx, l := context.Background(), newLedger(t)
	commit(t, l, StateChanged{State: "Idle"}, StateChanged{State: "Starting"}, LotOpened{clips(1, 2)}, StateChanged{State: "Execute"})
	times := must(l.Times(ctx, 1))(t)
	if len(times.States) != 2 || times.States[0].State != "Starting" || times.Last[1].Seq != 4 {
		t.Errorf("%+v", times)
	}
	commit(t, l, LotChanged{1, LotEnded, "enough"}, StateChanged{State: "Stopped"})
	if times = must(l.Times(ctx, 1))(t); len(times.States) != 2 || times.Last[1].Seq != 5 {
		t.Errorf("after its end: %+v", times)
	}
	if _, err := l.Times(ctx, 2); !errors.Is(err, ErrNotFound) {
		t.Errorf("%v", err)
	}
}
