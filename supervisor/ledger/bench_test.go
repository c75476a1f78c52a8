package ledger

import (
	"context"
	"testing"
)

// BenchmarkCommit writes what a part costs at its end: the cycle made, the state and an event, in one commit.
func BenchmarkCommit(b *testing.B) {
	l := newLedger(b)
	commit(b, l, LotOpened{clips(1, 1<<30)})
	ctx := context.Background()
	b.ReportAllocs()
	for n := int64(1); b.Loop(); n++ {
		if err := l.Commit(ctx, CycleBegun{Seq: n, LotID: 1, Ordinal: int(n)},
			CycleMade{Seq: n, Evidence: EvidenceConfirmed}, StateChanged{"Execute", ""}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkCounts reads the counts of a lot of 10,000 parts, which the snapshot after every cycle needs.
func BenchmarkCounts(b *testing.B) {
	l := newLedger(b)
	commit(b, l, LotOpened{clips(1, 1<<30)})
	var records []Record
	for n := int64(1); n <= 10_000; n++ {
		records = append(records, CycleBegun{Seq: n, LotID: 1, Ordinal: int(n)}, CycleMade{Seq: n, Evidence: EvidenceConfirmed})
	}
	commit(b, l, records...)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := l.Counts(context.Background(), 1); err != nil {
			b.Fatal(err)
		}
	}
}
