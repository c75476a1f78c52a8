package supervisor

import (
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// followsFrom is what a machine derives from checks.
func followsFrom(s *Snapshot) map[string]any {
	return map[string]any{"lot": []int{s.Lot.Good, s.Lot.Scrap, s.Lot.Unverified}, "status": s.Lot.Status,
		"n": s.Belt.Drift.N, "offset": s.Belt.OffsetMM, "drift": s.Belt.Drift.Flagged, "rate": s.Belt.Drift.RateMMPerM,
		"since": math.Round(s.Belt.SinceRealignMM), "size": s.Lot.Jobs[0].Size, "signal": s.Lot.SizeSignal,
		"spool": math.Round(*s.Supply.SpoolLeftG), "bin": s.Supply.Binned}
}

// TestACorrectionTakesTheCheckBack: whatever a mistyped check has changed follows the correction at
// once, and a restart reaches the same state. What was made by then, and the belt's position, remain
// those of the visit.
func TestACorrectionTakesTheCheckBack(t *testing.T) {
	withoutRace(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts, set.BinParts = 2, 50
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{20}, Start: true}})
		mm := func(v float64) *float64 { return &v }
		visit := func(v Visit) int64 {
			x.until(Held, 5*time.Hour)
			id := x.do(Request{Visit: &v}).CheckID
			x.do(Request{Command: Unhold})
			x.until(Execute, time.Hour)
			return id
		}
		visit(Visit{OffsetMM: mm(0.2), Good: 1, SpoolG: mm(900), BinEmptied: true, LengthsMM: []float64{20.01}})
		second := visit(Visit{OffsetMM: mm(0.4), Good: 1, Scrap: map[string]int{"warped": 2}, LengthsMM: []float64{20.02}, SpoolG: mm(90), Realigned: true})
		visit(Visit{OffsetMM: mm(0.5), Good: 1, LengthsMM: []float64{20.03}})
		time.Sleep(20 * time.Minute)
		before := x.s.Snapshot()
		if before.Belt.SinceCheckMM < 1 || before.Belt.Drift.N != 1 || *before.Supply.SpoolLeftG > 90 || before.Lot.Scrap != 2 {
			t.Fatalf("before the correction: %+v %+v", before.Belt.Drift, before.Lot)
		}
		made := before.Lot.Made
		res := x.do(Request{Visit: &Visit{Corrects: second, OffsetMM: mm(0.3), Good: 2, Scrap: map[string]int{"warped": 1}, LengthsMM: []float64{20.5, 19.5}, SpoolG: mm(850)}})
		if !strings.Contains(res.Text, "; before 1 good, 2 scrap, offset +0.40 mm") {
			t.Errorf("it answers %q", res.Text)
		}
		s := x.s.Snapshot()
		if s.Lot.Good != 4 || s.Lot.Scrap != 1 || s.Lot.Made != made || s.Belt.Drift.N != 3 || s.Lot.Jobs[0].Size.N != 4 ||
			s.Lot.Jobs[0].Size.NewestMM != 20.03 || *s.Belt.OffsetMM != 0.5 || *s.Supply.SpoolLeftG < 800 || *s.Supply.SpoolLeftG > 850 {
			t.Errorf("after it: %v", followsFrom(s))
		}
		if math.Abs(s.Belt.SinceRealignMM-s.Belt.TravelMM) > 1e-6 {
			t.Errorf("%g mm since a realignment that never was, of %g", s.Belt.SinceRealignMM, s.Belt.TravelMM)
		}
		if s.Belt.SinceCheckMM < before.Belt.SinceCheckMM {
			t.Errorf("a correction counts as a visit: %g mm since the last, %g before", s.Belt.SinceCheckMM, before.Belt.SinceCheckMM)
		}
		x.refuses(t, &Visit{Corrects: second, Good: 1}, "has already been corrected by check 4")
		x.refuses(t, &Visit{Corrects: 77, Good: 1}, "no check 77")
		x.refuses(t, &Visit{Corrects: 4, Good: 90}, "90 good and 0 scrap are more than")
		x.refuses(t, &Visit{Corrects: 4, Interrupted: "good", SeamMM: mm(3), BeltCleared: true}, "interrupted part", "seam", "cleared")
		x.until(Held, 5*time.Hour)
		want := followsFrom(x.s.Snapshot())
		x.stop()
		since := x.s.machine.book.Since.Parts
		x.start()
		x.until(Idle, time.Hour)
		if got := followsFrom(x.s.Snapshot()); !reflect.DeepEqual(got, want) {
			t.Errorf("a restart gives\n%v, want\n%v", got, want)
		}
		x.stop()
		if got := x.s.machine.book.Since.Parts; got != since || got == 0 {
			t.Errorf("a restart gives %d parts since the last check, want %d", got, since)
		}
	})
}

// TestAHoldForAMistypedOffsetEnds with its correction.
func TestAHoldForAMistypedOffsetEnds(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{20}, Start: true}})
		x.until(Execute, time.Hour)
		wrong, right := 4.2, 0.42
		id := x.do(Request{Visit: &Visit{OffsetMM: &wrong, Good: 0}}).CheckID
		x.until(Held, 5*time.Hour)
		x.do(Request{Visit: &Visit{Note: "looked at it"}})
		x.refuse(Request{Command: Unhold})
		x.do(Request{Visit: &Visit{Corrects: id, OffsetMM: &right}})
		x.do(Request{Command: Unhold})
		x.until(Execute, time.Hour)
		x.stop()
	})
}

// TestOddValuesAreAskedBack, and accepted when the operator confirms them.
func TestOddValuesAreAskedBack(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.OffsetLimitMM = 1.5
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{60}, Start: true}})
		mm := func(v float64) *float64 { return &v }
		x.refuses(t, &Visit{OffsetMM: mm(15.5)}, "more than 3 times the limit of 1.5 mm", "--sure")
		x.refuses(t, &Visit{OffsetMM: mm(40), Sure: true}, "not possible")
		x.do(Request{Visit: &Visit{LengthsMM: []float64{20.1}}})
		x.refuses(t, &Visit{LengthsMM: []float64{20.1, 2.01}}, "2.01 mm does not fit the 20.1 mm")
		x.do(Request{Visit: &Visit{LengthsMM: []float64{2.01}, Sure: true}})
		for i := range 6 { // steady readings first, so that a jump stands out
			time.Sleep(3 * time.Hour)
			x.do(Request{Visit: &Visit{OffsetMM: mm(0.05 * float64(i%2))}})
		}
		time.Sleep(3 * time.Hour)
		if x.s.Snapshot().Belt.Drift.N < 6 {
			t.Fatalf("%+v", x.s.Snapshot().Belt.Drift)
		}
		x.refuses(t, &Visit{OffsetMM: mm(-4)}, "does not fit the 6 readings before it")
		x.do(Request{Visit: &Visit{OffsetMM: mm(-4), Sure: true}})
		x.stop()
	})
}

// refuses expects a visit to be refused with all of these texts.
func (x *run) refuses(t *testing.T, v *Visit, words ...string) {
	t.Helper()
	err := x.refuse(Request{Visit: v})
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q does not say %q", err, w)
		}
	}
}
