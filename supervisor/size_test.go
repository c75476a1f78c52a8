package supervisor

import (
	"math"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/book"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// TestSizesOutOfControlHold: limits are learned from twenty lengths. A part far outside them holds the
// machine before the next, by name and with a remedy, over a restart too. Lengths that fit again, or a
// reason, continue the lot.
func TestSizesOutOfControlHold(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{60}, Start: true}})
		x.until(Execute, 2*time.Hour)
		learn := []float64{20.02, 19.98, 20.01, 19.97, 20.00, 20.03, 19.99, 20.01, 19.98, 20.02, 20.00, 19.97, 20.01, 20.02, 19.99, 20.00, 19.98, 20.03, 20.01, 19.99}
		x.do(Request{Visit: &Visit{LengthsMM: learn}})
		s := x.s.Snapshot()
		size := s.Lot.Jobs[0].Size
		if size == nil || size.Phase != quality.Frozen || size.N != 20 || size.UpperMM < 20.05 || size.UpperMM > 20.2 || s.Lot.SizeSignal != "" {
			t.Fatalf("after learning: %+v %q", size, s.Lot.SizeSignal)
		}
		x.do(Request{Visit: &Visit{LengthsMM: []float64{20.6}}})
		s = x.until(Held, 2*time.Hour)
		if s.Cause.Code != CauseSize || !strings.Contains(s.Cause.Text, "20.6") || !strings.Contains(s.Cause.Text, "measure") {
			t.Errorf("held for %+v", s.Cause)
		}
		if err := x.refuse(Request{Command: Unhold}); err == nil {
			t.Error("went on without a check")
		}
		x.stop()
		x.start()
		x.until(Idle, time.Hour)
		if again := x.s.Snapshot().Lot; again.SizeSignal == "" || again.Jobs[0].Size.N != 21 {
			t.Errorf("after a restart: %+v %q", again.Jobs[0].Size, again.SizeSignal)
		}
		x.do(Request{Visit: &Visit{LengthsMM: []float64{20.01, 19.99}}})
		if text := x.s.Snapshot().Lot.SizeSignal; text != "" {
			t.Errorf("after lengths that fit: %q", text)
		}
		x.stop()
	})
}

// TestLengthsSetAsideOrAccepted: one outlying length keeps limits from being set until it is set aside
// with a reason or accepted. That is restored after a restart.
func TestLengthsSetAsideOrAccepted(t *testing.T) {
	learn := []float64{20.02, 19.98, 20.01, 19.97, 20.00, 20.03, 19.99, 20.01, 19.98, 20.02, 20.00, 20.9, 20.01, 20.02, 19.99, 20.00, 19.98, 20.03, 20.01, 19.99}
	for name, word := range map[string]Visit{"set aside": {SetAside: []int{12}, Note: "nozzle blocked"}, "accepted": {AcceptLengths: true, Note: "known"}} {
		inBubble(t, func(t *testing.T) {
			x := newRun(t, testRig(), testSettings())
			x.start()
			x.until(Idle, time.Minute)
			x.refuses(t, &Visit{AcceptLengths: true, Note: "x"}, "no length of this job was measured")
			x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{60}}})
			x.do(Request{Visit: &Visit{LengthsMM: learn}})
			if text := x.s.Snapshot().Lot.SizeSignal; !strings.Contains(text, "value 12, 20.9") || !strings.Contains(text, "set it aside with a reason") {
				t.Fatalf("signal %q", text)
			}
			x.refuses(t, &Visit{SetAside: []int{12}}, "give the reason in the note")
			x.refuses(t, &Visit{SetAside: []int{21, 0}, Note: "x", LengthsMM: []float64{20}}, "value 21", "value 0", "in a separate check")
			x.refuses(t, &Visit{SetAside: []int{12}, AcceptLengths: true, Note: "x"}, "too few")
			x.do(Request{Visit: &word})
			if text := x.s.Snapshot().Lot.SizeSignal; text != "" {
				t.Errorf("%s: still %q", name, text)
			}
			x.do(Request{Visit: &Visit{LengthsMM: []float64{20.00}}})
			for range 2 {
				size := x.s.Snapshot().Lot.Jobs[0].Size
				if size.Phase != quality.Frozen || (size.UpperMM < 20.3) != (name == "set aside") || size.N != 21 {
					t.Errorf("%s: %+v", name, size)
				}
				x.stop()
				x.start()
				x.until(Idle, time.Hour)
			}
			x.refuses(t, &Visit{SetAside: []int{12}, Note: "x"}, "limits are not being learned")
			x.stop()
		})
	}
}

// TestParticulars: what is given for the report is kept with the lot; what no line of a report could hold is refused.
func TestParticulars(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		plan := x.plan(clipJob)
		for _, bad := range []ledger.Particulars{{OrderNumber: strings.Repeat("9", 101)}, {Material: "PETG\ngreen"}, {MaterialBatch: "\xff"}} {
			if err := x.refuse(Request{Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{5}, Particulars: bad}}); err == nil {
				t.Errorf("%+q is taken", bad)
			}
		}
		want := ledger.Particulars{OrderNumber: strings.Repeat("9", 100), Material: "PETG, grün"}
		id := x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{5}, Particulars: want}}).LotID
		if l, err := x.ledger.Lot(t.Context(), id); err != nil || l.Particulars != want {
			t.Errorf("%+v %v", l.Particulars, err)
		}
	})
}

// TestOrderedSizes: a length ordered with the lot gives performance from 30 lengths on. By hand:
// 20.00, 20.02 and 20.04 ten times each have mean 20.02 and a sum of squares of 0.008, over 29. It is
// restored after a restart.
func TestOrderedSizes(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		plan := x.plan(clipJob)
		for _, bad := range [][]book.SizeOrder{{{LengthMM: 20, ToleranceMM: 0}}, {{LengthMM: -1, ToleranceMM: 0.1}}, {{LengthMM: 20, ToleranceMM: 30}}, {{LengthMM: 20, ToleranceMM: 1}, {LengthMM: 20, ToleranceMM: 1}}} {
			if err := x.refuse(Request{Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{5}, Sizes: bad}}); err == nil {
				t.Errorf("%v is taken", bad)
			}
		}
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{5}, Sizes: []book.SizeOrder{{LengthMM: 20, ToleranceMM: 0.1}}}})
		x.do(Request{Visit: &Visit{LengthsMM: []float64{20.00, 20.02, 20.04}}})
		if v := x.s.Snapshot().Lot.Jobs[0].Size; v.Pp != nil || v.OutsideMost != nil || !strings.Contains(v.WhyNot, "30 are the least") || *v.Ordered != (book.SizeOrder{LengthMM: 20, ToleranceMM: 0.1}) {
			t.Errorf("of three: %+v", v)
		}
		for range 9 {
			x.do(Request{Visit: &Visit{LengthsMM: []float64{20.00, 20.02, 20.04}}})
		}
		sd := math.Sqrt(0.008 / 29)
		for range 2 {
			v := x.s.Snapshot().Lot.Jobs[0].Size
			if v.Pp == nil || math.Abs(*v.Pp-0.1/3/sd) > 1e-9 || math.Abs(*v.Ppk-0.08/3/sd) > 1e-9 || !(*v.OutsideMost > 1e-7) {
				t.Errorf("%+v", v)
			}
			x.stop()
			x.start()
			x.until(Idle, time.Hour)
		}
		x.stop()
	})
}
