package ledger

import (
	"context"
	"path/filepath"
	"testing"
)

// open opens a ledger in a directory of the test; when the test ends the ledger must pass its own check.
func open(t testing.TB, path string, o Options) *Ledger {
	t.Helper()
	l, err := Open(path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { checkAndClose(t, l) })
	return l
}

func checkAndClose(t testing.TB, l *Ledger) {
	t.Helper()
	if l.isClosed() {
		return
	}
	problems, err := l.Check(context.Background())
	if err != nil {
		t.Errorf("check: %v", err)
	}
	for _, p := range problems {
		t.Errorf("check: %s", p)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

func newLedger(t testing.TB) *Ledger {
	return open(t, filepath.Join(t.TempDir(), "ledger.db"), Options{})
}

func commit(t testing.TB, l *Ledger, records ...Record) {
	t.Helper()
	if err := l.Commit(context.Background(), records...); err != nil {
		t.Fatal(err)
	}
}

// clips is a lot of the kind that the workshop prints.
func clips(id int64, good int) Lot {
	return Lot{ID: id, Name: "stake clips", Status: LotOpen, Order: OrderBlocks, Jobs: []LotJob{{Index: 0,
		Path: "clips.gcode", SHA256: "ab12", Name: "stake clip", GoodOrdered: good, FilamentMMPerCycle: 734.637,
		BeltTravelMMPerCycle: 18630.7, PitchMM: 62.5}}}
}

func TestOpenCommitRead(t *testing.T) {
	l := newLedger(t)
	ctx := context.Background()
	commit(t, l, LotOpened{clips(1, 3)}, CycleBegun{Seq: 1, LotID: 1, Ordinal: 1, EndNumber: 99, Belt: Belt{Known: true}})
	commit(t, l, CycleMade{Seq: 1, Evidence: EvidenceConfirmed, Belt: Belt{TravelMM: 1, Known: true}}, CycleDischarged{Seq: 1})
	c, err := l.Counts(ctx, 1)
	if err != nil || c.Made != 1 || c.Unverified != 1 || c.Ordered != 3 {
		t.Fatalf("%+v %v", c, err)
	}
}
