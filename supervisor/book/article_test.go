package book

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"beltwarden/supervisor/ledger"
)

// TestArticlesIn makes the rest of a lot part by part, and compares where it stops to look with the
// forecast.
func TestArticlesIn(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := New(Settings{ByCheck: func(string) bool { return true }})
		fold := func(r ledger.Record) { b.Fold(r, time.Time{}) }
		l := ledger.Lot{ID: 1, Status: ledger.LotOpen, Order: rapid.SampledFrom([]string{ledger.OrderBlocks, ledger.OrderTurn}).Draw(rt, "order")}
		for i := range rapid.IntRange(1, 4).Draw(rt, "jobs") {
			l.Jobs = append(l.Jobs, ledger.LotJob{Index: i, SHA256: fmt.Sprint(i), GoodOrdered: rapid.IntRange(1, 4).Draw(rt, "good")})
		}
		fold(ledger.LotOpened{Lot: l})
		fold(ledger.FirstArticle{LotID: 1, Wanted: true})
		seq := int64(0)
		makeOne := func(k int) {
			seq++
			fold(ledger.CycleBegun{Seq: seq, LotID: 1, JobIndex: k, Ordinal: int(seq)})
			fold(ledger.CycleMade{Seq: seq})
		}
		look := func() {
			for k := range l.Jobs {
				if b.ArticleOf(k) == ArticleWaits {
					fold(ledger.CheckRecorded{Check: ledger.Check{ID: b.Next.Check, LotID: 1, JobIndex: &k, Good: 1}})
				}
			}
		}
		for range rapid.IntRange(0, 6).Draw(rt, "before") {
			k := b.Lot.Next()
			if k < 0 {
				break
			}
			if b.ArticleOf(k) == ArticleWaits && rapid.Bool().Draw(rt, "looked") {
				look()
			}
			makeOne(k)
			if rapid.IntRange(0, 4).Draw(rt, "surface") == 0 {
				fold(ledger.SurfaceRenewed{How: "taped"})
			}
		}
		making := -1
		if k := b.Lot.Next(); k >= 0 && rapid.Bool().Draw(rt, "making") && b.ArticleOf(k) != ArticleWaits {
			seq++
			fold(ledger.CycleBegun{Seq: seq, LotID: 1, JobIndex: k, Ordinal: int(seq)})
			making = k
		}
		forecast := b.ArticlesIn(making)
		var stops []int
		for done := 0; ; done++ {
			if making >= 0 {
				fold(ledger.CycleMade{Seq: seq})
				making = -1
				continue
			}
			k := b.Lot.Next()
			if k < 0 {
				break
			}
			if b.ArticleOf(k) == ArticleWaits {
				stops = append(stops, done)
				look()
			}
			makeOne(k)
		}
		if !slices.Equal(stops, forecast) {
			rt.Errorf("it stops after %v, and %v was foretold: %+v, counts %+v", stops, forecast, l, b.Lot.Counts)
		}
	})
}

// TestAFirstArticleFollowsItsCheck: a correction that finds it scrap makes the next part a first article again.
func TestAFirstArticleFollowsItsCheck(t *testing.T) {
	b := New(Settings{ByCheck: func(string) bool { return true }})
	fold := func(r ledger.Record) { b.Fold(r, time.Time{}) }
	fold(ledger.LotOpened{Lot: ledger.Lot{ID: 1, Order: ledger.OrderBlocks, Jobs: []ledger.LotJob{{SHA256: "aa", GoodOrdered: 5}}}})
	is := func(want Article) {
		t.Helper()
		if got := b.ArticleOf(0); got != want {
			t.Errorf("state %d, want %d", got, want)
		}
	}
	is(ArticleNone) // not asked for, as in every older lot
	fold(ledger.FirstArticle{LotID: 1, Wanted: true})
	is(ArticleToMake)
	fold(ledger.CycleBegun{Seq: 1, LotID: 1, Ordinal: 1})
	is(ArticleToMake)
	fold(ledger.CycleMade{Seq: 1})
	is(ArticleWaits)
	k := 0
	fold(ledger.CheckRecorded{Check: ledger.Check{ID: 1, LotID: 1, JobIndex: &k, Good: 1}})
	is(ArticleNone)
	fold(ledger.CheckRecorded{Check: ledger.Check{ID: 2, Corrects: 1, LotID: 1, JobIndex: &k, Scrap: map[string]int{"loose": 1}}})
	is(ArticleToMake)
	fold(ledger.CheckRecorded{Check: ledger.Check{ID: 3, Corrects: 2, LotID: 1, JobIndex: &k, Good: 1}})
	is(ArticleNone)
	if c, ok := b.Article("aa"); !ok || c.ID != 3 {
		t.Errorf("found by %+v", c)
	}
	fold(ledger.SurfaceRenewed{How: "taped"})
	is(ArticleToMake)
	if _, ok := b.Article("aa"); ok {
		t.Error("still good on a new surface")
	}
}
