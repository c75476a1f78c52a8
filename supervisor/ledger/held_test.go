package ledger

import (
	"context"
	"testing"
	"time"
)

// Only what ended, and only once a check found good parts of its lot.
func TestHeldForIsTheLongestGoodCycle(t *testing.T) {
	l := newLedger(t)
	held := func() time.Duration { return must(l.HeldFor(context.Background()))(t) }
	commit(t, l, LotOpened{clips(1, 3)})
	for seq, took := range []time.Duration{20 * time.Minute, 95 * time.Minute} {
		n := int64(seq) + 1
		commit(t, l, CycleBegun{Seq: n, LotID: 1, Ordinal: int(n)})
		commit(t, l, CycleMade{Seq: n, Evidence: EvidenceConfirmed, MachineTime: took}, CycleDischarged{Seq: n})
	}
	commit(t, l, CycleBegun{Seq: 3, LotID: 1, Ordinal: 3}, CycleInterrupted{Seq: 3, Reason: "power lost"})
	if got := held(); got != 0 {
		t.Errorf("%v before any check", got)
	}
	commit(t, l, CheckRecorded{Check{ID: 1, LotID: 1, Scrap: map[string]int{"bent": 1}}})
	if got := held(); got != 0 {
		t.Errorf("%v when all were scrap", got)
	}
	commit(t, l, CheckRecorded{Check{ID: 2, LotID: 1, Good: 1}})
	if got := held(); got != 95*time.Minute {
		t.Errorf("%v, want 95 minutes", got)
	}
}
