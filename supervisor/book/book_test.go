package book

import (
	"context"
	"fmt"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

func settings() Settings {
	return Settings{SpoolTareG: 250, ByCheck: func(reason string) bool { return reason == "check_parts" }}
}

// same compares two books except for when records were written and for cached results.
var same = cmp.Options{
	cmp.Exporter(func(reflect.Type) bool { return true }),
	cmpopts.EquateEmpty(),
	cmpopts.EquateApprox(0, 1e-9),
	cmpopts.IgnoreTypes(ledger.Stamp{}, time.Time{}, func(string) bool { return false }),
	cmp.FilterPath(func(p cmp.Path) bool {
		return slices.Contains([]string{".Alterations", ".Reason", ".yield", ".yieldOf", ".performed"}, p.Last().String())
	}, cmp.Ignore()),
}

// keeper commits records and folds those that the ledger accepts.
type keeper struct {
	t *rapid.T
	l *ledger.Ledger
	b *Book
}

func (k *keeper) put(records ...ledger.Record) bool {
	if err := k.l.Commit(context.Background(), records...); err != nil {
		return false
	}
	for _, r := range records {
		k.b.Fold(r, time.Time{})
	}
	return true
}

// counts compares the book with the counts of the ledger's own queries.
func (k *keeper) counts() {
	lot := k.b.Lot
	if lot == nil {
		return
	}
	c, err := k.l.Counts(context.Background(), lot.ID)
	if err != nil {
		k.t.Fatal(err)
	}
	for i, j := range c.ByJob {
		want := Count{Ordered: j.Ordered, Made: j.Made, Good: j.CheckedGood + j.InterruptedGood, Scrap: j.CheckedScrap + j.InterruptedScrap, Interrupted: j.Interrupted,
			DecidedGood: j.InterruptedGood, DecidedScrap: j.InterruptedScrap}
		if got := lot.Counts[i]; got != want {
			k.t.Fatalf("job %d: the book has %+v, the ledger %+v", i, got, want)
		}
	}
	t := lot.Total()
	if lot.Begun != c.CyclesBegun+c.Void || lot.Void != c.Void || lot.Made != c.Made || t.NotLookedAt() != c.Unverified {
		k.t.Fatalf("the book has %+v %+v, the ledger %+v", lot, t, c)
	}
	// Every cycle begun is counted in exactly one place.
	if sum := t.Good + t.Scrap + t.NotLookedAt() + t.Interrupted + c.Running; lot.Begun-lot.Void != sum || t.Begun() != sum-c.Running {
		k.t.Fatalf("%d cycles begun, %d void, and %d accounted for", lot.Begun, lot.Void, sum)
	}
}

// TestTheBookCountsAsTheLedger: whatever records the ledger accepts, in whatever order, the book that
// has folded them has the same counts as the ledger's queries, and a book that folds the ledger's
// history is equal to it.
func TestTheBookCountsAsTheLedger(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, err := ledger.Open("fold", ledger.Options{Memory: true})
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		k := &keeper{t: t, l: l, b: New(settings())}
		for range rapid.IntRange(1, 80).Draw(t, "records") {
			k.draw(t)
			k.counts()
		}
		again := New(settings())
		if err := l.History(t.Context(), "port", func(p ledger.Entry) { again.Fold(p.Record, p.Stamp.At) }); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(k.b, again, same); d != "" {
			t.Fatalf("a restart comes to another book (-was +is):\n%s", d)
		}
	})
}

// draw commits a record that may be illegal: then the ledger refuses it.
func (k *keeper) draw(t *rapid.T) {
	b := k.b
	lot, seq := int64(0), b.Next.Cycle-1
	jobs := 1
	if b.Lot != nil {
		lot, jobs = b.Lot.ID, len(b.Lot.Jobs)
	}
	job := rapid.IntRange(0, jobs-1).Draw(t, "job")
	mm := rapid.Float64Range(0, 9000).Draw(t, "mm")
	switch rapid.IntRange(0, 19).Draw(t, "kind") {
	case 0:
		if b.Lot != nil && ledger.Unfinished(b.Lot.Status) {
			return // the machine opens none then
		}
		o := ledger.Lot{ID: b.Next.Lot, Name: "clips", Status: ledger.LotOpen, Order: rapid.SampledFrom([]string{ledger.OrderBlocks, ledger.OrderTurn}).Draw(t, "order")}
		for i := range rapid.IntRange(1, 3).Draw(t, "jobs") {
			o.Jobs = append(o.Jobs, ledger.LotJob{Index: i, Path: fmt.Sprint(i), SHA256: "ab", Name: fmt.Sprint("clip ", i), GoodOrdered: 1 + i, FilamentMMPerCycle: 700 + float64(i)})
		}
		k.put(ledger.LotOpened{Lot: o})
	case 1:
		k.put(ledger.LotChanged{LotID: lot, Status: rapid.SampledFrom([]string{ledger.LotEnded, ledger.LotClosed, ledger.LotMade, ledger.LotOpen}).Draw(t, "status")})
	case 2, 3, 4, 5, 6:
		if b.Lot == nil || len(b.Undecided) > 0 { // nothing begins before they are decided on
			return
		}
		k.put(ledger.CycleBegun{Seq: b.Next.Cycle, LotID: lot, JobIndex: job, Ordinal: b.Lot.Begun + 1, EndNumber: 900_000_100})
	case 7, 8, 9, 10:
		if k.put(ledger.CycleMade{Seq: seq, FilamentMM: mm, MachineTime: time.Duration(mm) * time.Second, Evidence: ledger.EvidenceConfirmed}) {
			k.put(ledger.CycleDischarged{Seq: seq})
		}
	case 11:
		r := []ledger.Record{ledger.CycleInterrupted{Seq: seq, Reason: "cable"}}
		if rapid.Bool().Draw(t, "void") {
			r = append(r, ledger.CycleDecided{Seq: seq})
		}
		k.put(r...)
	case 12, 13, 14:
		c := ledger.Check{ID: b.Next.Check, LotID: lot, TravelMM: mm, Good: rapid.IntRange(0, 2).Draw(t, "good"), BinEmptied: rapid.Bool().Draw(t, "bin")}
		if lot != 0 {
			c.JobIndex = &job
		}
		if n := rapid.IntRange(0, 2).Draw(t, "scrap"); n > 0 {
			c.Scrap = map[string]int{"warped": n}
		}
		if rapid.Bool().Draw(t, "weighed") {
			c.SpoolG = &mm
		}
		c.LengthsMM = rapid.SliceOfN(rapid.Float64Range(19.9, 20.1), 0, 5).Draw(t, "lengths")
		if n := len(b.checks); n > 0 && rapid.IntRange(0, 2).Draw(t, "corrects") == 0 {
			old := b.checks[rapid.IntRange(0, n-1).Draw(t, "which")]
			c.Corrects, c.LotID, c.TravelMM = old.ID, old.LotID, old.TravelMM
			if c.JobIndex != nil && old.LotID != lot {
				c.JobIndex = old.JobIndex
			}
		}
		r := []ledger.Record{ledger.CheckRecorded{Check: c}}
		if len(b.Undecided) > 0 && c.Corrects == 0 {
			r = append(r, ledger.CycleDecided{Seq: b.Undecided[0].Seq, CheckID: c.ID, Good: rapid.Bool().Draw(t, "decided good")})
		}
		k.put(r...)
	case 15:
		k.put(ledger.CareDone{Name: rapid.SampledFrom([]string{"wipe", "oil"}).Draw(t, "care"), TravelMM: mm})
	case 16:
		if b.Hold != nil {
			k.put(ledger.HoldEnded{ID: b.Hold.ID, How: rapid.SampledFrom([]string{"unhold", "unsuspend", "stop"}).Draw(t, "how"), Override: rapid.SampledFrom([]string{"", "late"}).Draw(t, "override")})
			return
		}
		k.put(ledger.HoldBegun{ID: b.Next.Hold, LotID: lot, State: "Held", Reason: rapid.SampledFrom([]string{"check_parts", "filament"}).Draw(t, "reason"), TravelMM: mm})
	case 17:
		k.put(ledger.ScaleSet{Port: "port", Axis: "Y", OldStepsPerMM: 80, NewStepsPerMM: 79, TravelMM: mm})
	case 18:
		k.put(ledger.EventNoted{Kind: EventOverride, Text: "late"})
	case 19:
		k.put(ledger.SizeOrdered{LotID: lot, JobIndex: job, LengthMM: 20, ToleranceMM: 0.2})
	}
}

// made folds n parts of lot 1.
func made(b *Book, n int, filamentMM float64) {
	for range n {
		seq := b.Next.Cycle
		b.Fold(ledger.CycleBegun{Seq: seq, LotID: 1, Ordinal: int(seq)}, time.Time{})
		b.Fold(ledger.CycleMade{Seq: seq, FilamentMM: filamentMM}, time.Time{})
	}
}

// TestSpoolAndBinCountFromTheVisit, and not from its correction; a correction that takes back the
// weighing leaves none.
func TestSpoolAndBinCountFromTheVisit(t *testing.T) {
	b := New(settings())
	b.Fold(ledger.LotOpened{Lot: ledger.Lot{ID: 1, Status: ledger.LotOpen, Jobs: []ledger.LotJob{{GoodOrdered: 20, FilamentMMPerCycle: 700}}}}, time.Time{})
	made(b, 2, 100)
	g := 750.0
	b.Fold(ledger.CheckRecorded{Check: ledger.Check{ID: 1, LotID: 1, SpoolG: &g, BinEmptied: true}}, time.Time{})
	made(b, 3, 100)
	seq := b.Next.Cycle
	b.Fold(ledger.CycleBegun{Seq: seq, LotID: 1, Ordinal: 6}, time.Time{})
	b.Fold(ledger.CycleInterrupted{Seq: seq}, time.Time{})
	g2 := 1050.0
	b.Fold(ledger.CheckRecorded{Check: ledger.Check{ID: 2, LotID: 1, Corrects: 1, SpoolG: &g2, BinEmptied: true}}, time.Time{})
	spool, taken, ok := b.SpoolG()
	if n, emptied := b.Binned(); !ok || spool != 800 || taken != 3*100+700 || n != 3 || !emptied {
		t.Errorf("spool %g g, %g mm taken, %t; bin %d, %t", spool, taken, ok, n, emptied)
	}
	b.Fold(ledger.CycleDecided{Seq: seq}, time.Time{}) // nothing of it was laid
	if _, taken, _ := b.SpoolG(); taken != 300 {
		t.Errorf("a void cycle has taken filament: %g mm", taken)
	}
	b.Fold(ledger.CheckRecorded{Check: ledger.Check{ID: 3, LotID: 1, Corrects: 2}}, time.Time{})
	_, _, ok = b.SpoolG()
	if _, emptied := b.Binned(); ok || emptied {
		t.Error("taken back, and still known")
	}
	if _, by, ok := b.Check(1); ok || by != 2 {
		t.Errorf("check 1 was corrected by %d", by)
	}
}

// TestCountingBeginsAnew with a check, and with a hold for a check that was released without one; not
// with a correction, nor with a hold for anything else.
func TestCountingBeginsAnew(t *testing.T) {
	b := New(settings())
	b.Fold(ledger.LotOpened{Lot: ledger.Lot{ID: 1, Jobs: []ledger.LotJob{{GoodOrdered: 20}}}}, time.Time{})
	hold := func(reason, how string) {
		id := b.Next.Hold
		b.Fold(ledger.HoldBegun{ID: id, Reason: reason, TravelMM: 77}, time.Time{})
		b.Fold(ledger.HoldEnded{ID: id, How: how, Override: "late"}, time.Time{})
	}
	for _, c := range []struct {
		what  string
		do    func()
		parts int
		mm    float64
	}{
		{"a check", func() { b.Fold(ledger.CheckRecorded{Check: ledger.Check{ID: 1, TravelMM: 50}}, time.Time{}) }, 0, 50},
		{"a correction", func() {
			b.Fold(ledger.CheckRecorded{Check: ledger.Check{ID: 2, Corrects: 1, TravelMM: 50}}, time.Time{})
		}, 3, 50},
		{"another hold", func() { hold("filament", "unsuspend") }, 6, 50},
		{"a stop", func() { hold("check_parts", "stop") }, 9, 50},
		{"a hold for a check", func() { hold("check_parts", "unhold") }, 0, 77},
	} {
		made(b, 3, 1)
		if c.do(); b.Since.Parts != c.parts || b.Since.TravelMM != c.mm {
			t.Errorf("after %s: %+v, want %d parts since %g mm", c.what, b.Since, c.parts, c.mm)
		}
	}
}

// TestAnAnsweredSignalComesBack with the next lengths, and with a correction of those that gave it.
func TestAnAnsweredSignalComesBack(t *testing.T) {
	b, job := New(settings()), 0
	b.Fold(ledger.LotOpened{Lot: ledger.Lot{ID: 1, Jobs: []ledger.LotJob{{GoodOrdered: 90}}}}, time.Time{})
	check := func(corrects int64, mm ...float64) {
		b.Fold(ledger.CheckRecorded{Check: ledger.Check{ID: b.Next.Check, LotID: 1, JobIndex: &job, Corrects: corrects, LengthsMM: mm}}, time.Time{})
	}
	for i := range 25 {
		check(0, 20+0.01*float64(i%3))
	}
	check(0, 25)
	if b.SizeSignal() == "" {
		t.Fatal("a length far off gives no signal")
	}
	b.Fold(ledger.EventNoted{Kind: EventOverride}, time.Time{})
	if s := b.SizeSignal(); s != "" {
		t.Errorf("gone against, and still %q", s)
	}
	check(0) // without lengths
	if s := b.SizeSignal(); s != "" {
		t.Errorf("a check without lengths brings back %q", s)
	}
	check(26, 24)
	if b.SizeSignal() == "" {
		t.Error("corrected, and not asked again")
	}
}

// TestAChartKeepsItsSignals: each once, with what the limits rest on, until limits are learned again.
func TestAChartKeepsItsSignals(t *testing.T) {
	b, job := New(settings()), 0
	b.Fold(ledger.LotOpened{Lot: ledger.Lot{ID: 1, Jobs: []ledger.LotJob{{GoodOrdered: 900}}}}, time.Time{})
	check := func(mm float64) {
		b.Fold(ledger.CheckRecorded{Check: ledger.Check{ID: b.Next.Check, LotID: 1, JobIndex: &job, LengthsMM: []float64{mm}}}, time.Time{})
	}
	for i := range 25 {
		check(20 + 0.01*float64(i%3))
	}
	if v := b.Lot.Size(0); v.Base[0] != 1 || v.Base[1] < 20 || len(v.Signals) != 0 {
		t.Fatalf("limits rest on %v, signals %v", v.Base, v.Signals)
	}
	was := b.Lot.Size(0)
	check(25)
	v := b.Lot.Size(0)
	if len(v.Signals) != 1 || v.Signals[0].Index != 25 || v.Signals[0].Rule != quality.Outside || len(was.Signals) != 0 {
		t.Errorf("%+v", v.Signals)
	}
	for i := range 40 {
		check(20.06 + 0.01*float64(i%3))
	}
	v = b.Lot.Size(0)
	shifts := quality.Shifts(v.Signals, v.ValuesMM, 0, quality.Limits{Mean: v.MeanMM, UCL: v.UpperMM})
	if len(shifts) != 1 || shifts[0].From != 25 || math.Abs(shifts[0].By-0.06) > 0.005 {
		t.Errorf("shifts %+v of %+v", shifts, v.Signals)
	}
	b.Fold(ledger.ScaleSet{TravelMM: 1}, time.Time{})
	if v := b.Lot.Size(0); len(v.Signals) != 0 || v.Base != [2]int64{} {
		t.Errorf("after the scale was set: %+v", v)
	}
}

// TestAVoidCycleGivesItsTurnBack: nothing of it was laid, so that the next part is of the same job.
func TestAVoidCycleGivesItsTurnBack(t *testing.T) {
	b := New(settings())
	b.Fold(ledger.LotOpened{Lot: ledger.Lot{ID: 1, Order: ledger.OrderTurn, Jobs: []ledger.LotJob{{GoodOrdered: 2}, {Index: 1, GoodOrdered: 2}}}}, time.Time{})
	begin := func(job int, end ...ledger.Record) {
		b.Fold(ledger.CycleBegun{Seq: b.Next.Cycle, LotID: 1, JobIndex: job}, time.Time{})
		for _, r := range end {
			b.Fold(r, time.Time{})
		}
	}
	begin(0, ledger.CycleMade{Seq: 1})
	begin(1, ledger.CycleInterrupted{Seq: 2}, ledger.CycleDecided{Seq: 2})
	if k := b.Lot.Next(); k != 1 {
		t.Errorf("after a void cycle of the second job the next is of job %d", k)
	}
	begin(1, ledger.CycleInterrupted{Seq: 3}, ledger.CycleDecided{Seq: 3, CheckID: 1})
	if k := b.Lot.Next(); k != 0 {
		t.Errorf("after a torn part of the second job the next is of job %d", k)
	}
}

// TestACheckReleasesTheHold: a hold released after its check is not one released without.
func TestACheckReleasesTheHold(t *testing.T) {
	b := New(settings())
	b.Fold(ledger.HoldBegun{ID: 1, Reason: "check_parts", TravelMM: 77}, time.Time{})
	b.Fold(ledger.CheckRecorded{Check: ledger.Check{ID: 1, TravelMM: 78}}, time.Time{})
	if !b.Hold.Checked {
		t.Error("a check was recorded, and the hold does not know it")
	}
	b.Fold(ledger.HoldEnded{ID: 1, How: "unhold", Override: "sure"}, time.Time{})
	if b.Hold != nil || b.Since.TravelMM != 78 {
		t.Errorf("%+v, %+v", b.Hold, b.Since)
	}
}

// TestADecisionOutlivesACorrection: parts decided good stay good when a check is corrected.
func TestADecisionOutlivesACorrection(t *testing.T) {
	b := New(settings())
	b.Fold(ledger.LotOpened{Lot: ledger.Lot{ID: 1, Jobs: []ledger.LotJob{{GoodOrdered: 4}}}}, time.Time{})
	b.Fold(ledger.CycleBegun{Seq: 1, LotID: 1, Ordinal: 1}, time.Time{})
	b.Fold(ledger.CycleInterrupted{Seq: 1}, time.Time{})
	b.Fold(ledger.CheckRecorded{Check: ledger.Check{ID: 1, LotID: 1}}, time.Time{})
	b.Fold(ledger.CycleDecided{Seq: 1, CheckID: 1, Good: true}, time.Time{})
	b.Fold(ledger.CheckRecorded{Check: ledger.Check{ID: 2, LotID: 1, Corrects: 1}}, time.Time{})
	if c := b.Lot.Counts[0]; c.Made != 1 || c.Good != 1 || c.NotLookedAt() != 0 {
		t.Errorf("%+v", c)
	}
}
