package ledger

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// drawRecord draws records of which most are legal: at random few would be, and lots would stay short.
func drawRecord(t *rapid.T, m *twin) Record {
	r := drawAny(t, m)
	if rapid.IntRange(0, 5).Draw(t, "careless") == 0 {
		return r
	}
	for range 8 {
		if m.clone().accepts(r) {
			break
		}
		r = drawAny(t, m)
	}
	return r
}

func drawAny(t *rapid.T, m *twin) Record {
	cycle := int64(len(m.cycles))
	if rapid.IntRange(0, 3).Draw(t, "other") == 0 {
		cycle = rapid.Int64Range(1, cycle+1).Draw(t, "cycle")
	}
	cycle = max(cycle, 1)
	switch rapid.IntRange(0, 9).Draw(t, "kind") {
	case 0, 1, 2:
		return CycleBegun{Seq: int64(len(m.cycles)) + 1, LotID: 1, JobIndex: rapid.IntRange(0, 1).Draw(t, "job"),
			Ordinal: len(m.cycles) + rapid.IntRange(0, 4).Draw(t, "ordinal")/4 + 1}
	case 3, 4:
		return CycleMade{Seq: cycle, Evidence: EvidenceConfirmed}
	case 5:
		return CycleDischarged{Seq: cycle}
	case 6:
		return CycleInterrupted{Seq: cycle}
	case 7:
		d := CycleDecided{Seq: cycle, Good: rapid.Bool().Draw(t, "good")}
		if n := int64(len(m.checks)); !d.Good && n > 0 {
			d.CheckID = rapid.Int64Range(1, n).Draw(t, "check")
		}
		return d
	case 8:
		if rapid.IntRange(0, 9).Draw(t, "lot") == 0 {
			return LotChanged{LotID: 1, Status: rapid.SampledFrom([]string{LotOpen, LotMade, LotClosed}).Draw(t, "status")}
		}
		id := int64(len(m.holds))
		if rapid.Bool().Draw(t, "begin") {
			return hold(id + 1)
		}
		return HoldEnded{ID: max(id+1-rapid.Int64Range(0, 1).Draw(t, "which"), 1)}
	}
	c := Check{ID: int64(len(m.checks)) + 1, LotID: 1, Good: rapid.IntRange(0, 3).Draw(t, "checked good"),
		Corrects: rapid.Int64Range(0, int64(len(m.checks))).Draw(t, "corrects")}
	if rapid.Bool().Draw(t, "with scrap") {
		c.Scrap = map[string]int{"bent": rapid.IntRange(0, 2).Draw(t, "bent")}
	}
	if rapid.Bool().Draw(t, "of a job") {
		c.JobIndex = of(rapid.IntRange(0, 1).Draw(t, "checked job"))
	}
	return CheckRecorded{c}
}

func TestTheLedgerAgreesWithItsTwin(t *testing.T) {
	if underRace || testing.Short() {
		t.Skip("it has one goroutine, so that the race detector would only slow it")
	}
	accepted, refused := 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		l, err := Open("twin", Options{Memory: true})
		if err != nil {
			rt.Fatal(err)
		}
		defer func() { _ = l.Close() }()
		ctx := context.Background()
		lot := clips(1, 7)
		lot.Jobs = append(lot.Jobs, LotJob{Index: 1, Name: "drip-line peg", GoodOrdered: 5})
		if err := l.Commit(ctx, LotOpened{lot}); err != nil {
			rt.Fatal(err)
		}
		m := &twin{status: LotOpen, holds: map[int64]bool{}, entries: 1}
		for range rapid.IntRange(1, 25).Draw(rt, "commits") {
			next := m.clone()
			var records []Record
			legal := true
			for range rapid.IntRange(1, 3).Draw(rt, "records") {
				r := drawRecord(rt, next)
				legal = next.accepts(r) && legal
				records = append(records, r)
			}
			err := l.Commit(ctx, records...)
			if (err == nil) != legal {
				rt.Fatalf("%+v: legal %v, the ledger says %v", records, legal, err)
			}
			if err != nil && !errors.Is(err, ErrIllegal) && !errors.Is(err, ErrTooMany) {
				rt.Fatal(err)
			}
			if legal {
				next.entries += int64(len(records))
				m = next
				accepted++
			} else {
				refused++
			}
			if err := agree(ctx, l, m, lot); err != nil {
				rt.Fatal(err)
			}
		}
		if problems, err := l.Check(ctx); err != nil || len(problems) > 0 {
			rt.Fatalf("check: %q %v", problems, err)
		}
	})
	if accepted < 100 || refused < 100 {
		t.Errorf("only %d commits were accepted and %d refused: the draw is lopsided", accepted, refused)
	}
	t.Logf("%d commits accepted, %d refused", accepted, refused)
}

func agree(ctx context.Context, l *Ledger, m *twin, lot Lot) error {
	counts, err := l.Counts(ctx, 1)
	if err != nil {
		return err
	}
	if d := cmp.Diff(m.counts(lot), counts); d != "" {
		return fmt.Errorf("counts (-twin +ledger):\n%s", d)
	}
	reasons := 0
	for _, n := range counts.ScrapByReason {
		reasons += n
	}
	if counts.Made != counts.Good+counts.Scrap+counts.Unverified || counts.CyclesBegun != counts.Made+counts.Interrupted+counts.Running || reasons != counts.Scrap {
		return fmt.Errorf("the counts do not add up: %+v", counts)
	}
	cycles, err := l.Cycles(ctx, 1)
	if err != nil {
		return err
	}
	for i, c := range cycles {
		if c.State != m.cycles[i].state {
			return fmt.Errorf("cycle %d is %s, the twin has %s", c.Seq, c.State, m.cycles[i].state)
		}
	}
	next, err := l.NextIDs(ctx)
	want := NextIDs{Lot: 2, Cycle: int64(len(m.cycles)) + 1, Hold: int64(len(m.holds)) + 1, Check: int64(len(m.checks)) + 1}
	if err != nil || next != want {
		return fmt.Errorf("next numbers %+v, the twin has %+v (%w)", next, want, err)
	}
	open, err := l.OpenLot(ctx)
	if err != nil {
		return err
	}
	if running := m.status == LotOpen || m.status == LotMade; running != (open != nil) || (running && open.Status != m.status) {
		return fmt.Errorf("the open lot is %+v, the twin has status %s", open, m.status)
	}
	return nil
}
