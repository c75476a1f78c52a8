package book

import "testing"

// TestYieldPlan: 24 good parts, none looked at: with the prior of nine good to one scrap, more cycles
// than parts are planned. Scrap found raises the number, good parts lower it, and parts not looked at
// never count as good.
func TestYieldPlan(t *testing.T) {
	cycles := func(j Count) int64 { y, _ := (&Lot{Counts: []Count{j}}).Yield(); return y.Cycles }
	fresh := cycles(Count{Ordered: 24})
	if fresh <= 24 {
		t.Errorf("%d cycles for 24 good parts of a job never seen", fresh)
	}
	if bad := cycles(Count{Ordered: 24, Made: 8, Good: 4, Scrap: 4}); bad <= fresh-4 {
		t.Errorf("%d more cycles after 4 good and 4 scrap, %d before any", bad, fresh)
	}
	if unseen, good := cycles(Count{Ordered: 24, Made: 20}), cycles(Count{Ordered: 24, Made: 20, Good: 20}); unseen < good {
		t.Errorf("%d more cycles with 20 not looked at, %d with 20 good", unseen, good)
	}
	if done := cycles(Count{Ordered: 24, Made: 24, Good: 24}); done != 0 {
		t.Errorf("%d more cycles for a lot that is there", done)
	}
}

// TestYieldIsPlannedOnce for the same counts, however often the board replies, and again when they
// change: a plan for 100,000 parts takes 20 ms on a fast computer.
func TestYieldIsPlannedOnce(t *testing.T) {
	l := &Lot{Counts: []Count{{Ordered: 100_000}}}
	first, _ := l.Yield()
	for range 20 {
		if y, _ := l.Yield(); y != first {
			t.Fatal("planned again, and nothing has changed")
		}
	}
	l.addMade(0)
	l.Counts[0].Scrap++
	fresh := &Lot{Counts: []Count{{Ordered: 100_000, Made: 1, Scrap: 1}}}
	got, _ := l.Yield()
	if want, _ := fresh.Yield(); *got != *want || *got == *first {
		t.Errorf("after a part of scrap %+v, want %+v", *got, *fresh.yield)
	}
}
