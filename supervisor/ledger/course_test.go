package ledger

import (
	"errors"
	"maps"
	"path/filepath"
	"testing"
)

// TestCourse: travel, uncertainty and scale of a lot are those between its opening and
// its end, whatever was before and comes after.
func TestCourse(t *testing.T) {
	l := open(t, filepath.Join(t.TempDir(), "l.db"), Options{})
	lot := func(id int64) Record {
		return LotOpened{Lot{ID: id, Order: OrderBlocks, Jobs: []LotJob{{GoodOrdered: 2}}}}
	}
	at := func(travel, uncertain float64) Belt {
		return Belt{TravelMM: travel, SinceRealignMM: travel, UncertainMM: uncertain, Known: true}
	}
	then := func(travel, uncertain float64) Belt { // after it was realigned at 2000 mm
		return Belt{TravelMM: travel, SinceRealignMM: travel - 2000, UncertainMM: uncertain, Known: true}
	}
	scale := func(travel float64) Record {
		return ScaleSet{Port: "p", Axis: "Y", OldStepsPerMM: 80, NewStepsPerMM: 81, TravelMM: travel}
	}
	commit(t, l, BeltMoved{at(0, 0)}, scale(0), BeltMoved{at(1000, 7)}, lot(1), // 1000 mm and 7 uncertain are not the lot's
		CycleBegun{Seq: 1, LotID: 1, Ordinal: 1, Belt: at(1030, 7)}, BeltMoved{at(1500, 60)}, // 53 for as long as it is made
		CycleMade{Seq: 1, Belt: at(1800, 7), Evidence: EvidenceConfirmed},
		CycleDischarged{Seq: 1, Belt: at(1850, 7)}, scale(1850), BeltMoved{at(1850, 7)},
		CycleBegun{Seq: 2, LotID: 1, Ordinal: 2, Belt: at(1850, 7)}, CycleInterrupted{Seq: 2, Reason: "unplugged", Belt: at(2000, 27)}, // 20 more
		BeltMoved{then(2000, 0)}, // realigned: they mean nothing any more, and were all the same
		CycleBegun{Seq: 3, LotID: 1, Ordinal: 3, Belt: then(2000, 0)}, BeltMoved{then(2100, 5)}) // 5 more
	c, err := l.Course(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	if c.FromMM != 1000 || c.ToMM != 2100 || c.UncertainMM != 25 || !maps.Equal(c.ByCycle, map[int64]float64{1: 820, 2: 150}) {
		t.Errorf("%+v", c)
	}
	if len(c.Rescaled) != 1 || c.Rescaled[0].TravelMM != 1850 || c.Rescaled[0].Stamp.Seq == 0 {
		t.Errorf("scale %+v", c.Rescaled)
	}
	commit(t, l, CycleMade{Seq: 3, Belt: then(2300, 5), Evidence: EvidenceConfirmed}, LotChanged{LotID: 1, Status: LotEnded}, BeltMoved{then(9000, 99)}, scale(9000), lot(2))
	if c, err = l.Course(t.Context(), 1); err != nil || c.ToMM != 2300 || c.UncertainMM != 25 || len(c.Rescaled) != 1 || c.ByCycle[3] != 300 {
		t.Errorf("after its end: %+v, %v", c, err)
	}
	if c, err = l.Course(t.Context(), 2); err != nil || c.FromMM != 9000 || c.ToMM != 9000 || c.UncertainMM != 0 || len(c.ByCycle) != 0 {
		t.Errorf("the next lot: %+v, %v", c, err)
	}
	if _, err = l.Course(t.Context(), 3); !errors.Is(err, ErrNotFound) {
		t.Errorf("no such lot: %v", err)
	}
}

// A lot that is the first thing in a ledger begins where the ledger does.
func TestCourseFromTheBeginning(t *testing.T) {
	l := open(t, filepath.Join(t.TempDir(), "l.db"), Options{})
	commit(t, l, LotOpened{Lot{ID: 1, Order: OrderBlocks, Jobs: []LotJob{{GoodOrdered: 1}}}}, BeltMoved{Belt{TravelMM: 50, UncertainMM: 4}})
	if c, err := l.Course(t.Context(), 1); err != nil || c.FromMM != 0 || c.ToMM != 50 || c.UncertainMM != 4 {
		t.Errorf("%+v, %v", c, err)
	}
}
