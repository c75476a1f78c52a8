package ledger

import (
	"context"
	"testing"
)

// made makes a lot of n confirmed parts.
func made(t *testing.T, l *Ledger, n int) {
	t.Helper()
	commit(t, l, LotOpened{clips(1, n)})
	for i := range n {
		commit(t, l, CycleBegun{Seq: int64(i) + 1, LotID: 1, Ordinal: i + 1},
			CycleMade{Seq: int64(i) + 1, Evidence: EvidenceConfirmed})
	}
}

func TestCorrectionsReplaceWhatTheyCorrect(t *testing.T) {
	l := newLedger(t)
	made(t, l, 10)
	ctx := context.Background()
	visit := func(id, corrects int64, good, bent int, offset float64, realigned bool) {
		commit(t, l, CheckRecorded{Check{ID: id, LotID: 1, Corrects: corrects, Good: good, Scrap: map[string]int{"bent": bent},
			OffsetMM: &offset, Realigned: realigned}})
	}
	counted := func(good, scrap, unverified int) {
		t.Helper()
		c := must(l.Counts(ctx, 1))(t)
		if c.Good != good || c.Scrap != scrap || c.Unverified != unverified || c.ScrapByReason["bent"] != scrap {
			t.Errorf("want %d good, %d scrap, %d unverified; got %+v", good, scrap, unverified, c)
		}
	}
	visit(1, 0, 3, 1, 0.1, false)
	visit(2, 0, 2, 0, 0.2, true)
	visit(3, 0, 0, 0, 0.3, false)
	counted(5, 1, 4)
	visit(4, 1, 4, 0, 0.1, false) // the scrap one was good after all
	counted(6, 0, 4)
	visit(5, 2, 2, 0, 0.2, false) // the belt had not been realigned
	visit(6, 4, 3, 1, 0.1, true)  // it had been before, and the part was scrap
	counted(5, 1, 4)
	all := must(l.Checks(ctx, 1, 0))(t)
	if len(all) != 6 || all[0].CorrectedBy != 4 || all[3].CorrectedBy != 6 || all[5].CorrectedBy != 0 {
		t.Errorf("what was corrected is not kept: %+v", all)
	}
	newest := must(l.Checks(ctx, 0, 2))(t)
	if len(newest) != 2 || newest[0].ID != 5 || newest[1].ID != 6 {
		t.Errorf("the newest two are %+v", newest)
	}
}

// An interrupted part never counts by itself, and once decided it counts where the operator put it.
func TestInterruptedPartsCountAsDecided(t *testing.T) {
	l := newLedger(t)
	made(t, l, 2)
	ctx := context.Background()
	for i := range int64(3) {
		commit(t, l, CycleBegun{Seq: 3 + i, LotID: 1, Ordinal: int(3 + i)}, CycleInterrupted{Seq: 3 + i, Reason: "power lost"})
	}
	c := must(l.Counts(ctx, 1))(t)
	if c.Made != 2 || c.Good != 0 || c.Interrupted != 3 || c.Unverified != 2 || c.CyclesBegun != 5 {
		t.Errorf("undecided: %+v", c)
	}
	commit(t, l, CheckRecorded{Check{ID: 1, LotID: 1, Good: 2}}, CycleDecided{Seq: 3, Good: true, CheckID: 1}, CycleDecided{Seq: 4, CheckID: 1})
	c = must(l.Counts(ctx, 1))(t)
	if c.Confirmed != 2 || c.Made != 4 || c.Good != 3 || c.Scrap != 1 || c.Interrupted != 1 || c.Unverified != 0 {
		t.Errorf("decided: %+v", c)
	}
}

// A cycle that was given up before anything of it was laid is neither a part nor scrap, and its number is used up.
func TestVoidCyclesCountForNothing(t *testing.T) {
	l := newLedger(t)
	made(t, l, 2)
	ctx := context.Background()
	commit(t, l, CycleBegun{Seq: 3, LotID: 1, Ordinal: 3}, CycleInterrupted{Seq: 3, Reason: "unplugged"}, CycleDecided{Seq: 3},
		CycleBegun{Seq: 4, LotID: 1, Ordinal: 4}, CycleInterrupted{Seq: 4, Reason: "power lost"},
		CheckRecorded{Check{ID: 1, LotID: 1, Good: 1}}, CycleDecided{Seq: 4, CheckID: 1})
	c := must(l.Counts(ctx, 1))(t)
	if c.Void != 1 || c.CyclesBegun != 3 || c.Made != 3 || c.Good != 1 || c.Scrap != 1 || c.InterruptedScrap != 1 || c.Interrupted != 0 ||
		c.Unverified != 1 || c.ByJob[0].Void != 1 || c.ByJob[0].CyclesBegun != 3 || c.ByJob[0].InterruptedScrap != 1 {
		t.Errorf("%+v", c)
	}
	cycles := must(l.Cycles(ctx, 1))(t)
	if v := cycles[2]; v.State != CycleStateVoid || v.Reason != "unplugged" || v.Interrupted.Seq == 0 {
		t.Errorf("%+v", v)
	}
	if s := cycles[3].State; s != CycleStateDecided {
		t.Errorf("a part decided scrap reads as %s", s)
	}
}
