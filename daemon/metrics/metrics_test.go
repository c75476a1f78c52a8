package metrics

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"beltwarden/serialio"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

var update = flag.Bool("update", false, "write the metrics found as the golden file, to be read by a person")

const golden = "testdata/metrics.txt"

// books is a ledger of made-up lots.
type books struct {
	counts []ledger.Counts
	queue  []ledger.Receiver
	events []ledger.Event
	cycles []ledger.Cycle
	times  ledger.Times
	err    error
	reads  int // of counts
	reckon int // of cycles

	failCycles error
	trimmed    []map[string]int // answers in turn, the last for good
}

func (b *books) Lots(context.Context) (lots []ledger.Lot, err error) {
	for _, c := range b.counts {
		lots = append(lots, ledger.Lot{ID: c.LotID, Status: ledger.LotClosed, Jobs: []ledger.LotJob{{PlannedRun: 50 * time.Second}}})
	}
	return lots, b.err
}

func (b *books) Counts(_ context.Context, id int64) (ledger.Counts, error) {
	b.reads++
	return b.counts[id-1], b.err
}

func (b *books) AlertQueue(context.Context) ([]ledger.Receiver, error) { return b.queue, b.err }

func (b *books) TrimmedEvents(context.Context) (map[string]int, error) {
	if len(b.trimmed) == 0 {
		return map[string]int{}, b.err
	}
	now := b.trimmed[0]
	if len(b.trimmed) > 1 {
		b.trimmed = b.trimmed[1:]
	}
	return now, b.err
}

func (b *books) Events(_ context.Context, limit int, after int64) (list []ledger.Event, err error) {
	if after == 0 {
		return nil, errors.New("0 asks for the newest, which is not every one")
	}
	for _, e := range b.events {
		if e.Stamp.Seq > after && len(list) < limit {
			list = append(list, e)
		}
	}
	return list, b.err
}

func (b *books) Lot(ctx context.Context, id int64) (ledger.Lot, error) {
	lots, err := b.Lots(ctx)
	return lots[id-1], err
}

func (b *books) Cycles(context.Context, int64) ([]ledger.Cycle, error) {
	b.reckon++
	return b.cycles, errors.Join(b.err, b.failCycles)
}

func (b *books) Holds(context.Context, int64) ([]ledger.Hold, error) { return nil, b.err }

func (b *books) Times(context.Context, int64) (ledger.Times, error) { return b.times, b.err }

func clips() *books {
	return &books{
		counts: []ledger.Counts{
			{LotID: 1, CyclesBegun: 41, Made: 41, Good: 38, Scrap: 3, InterruptedScrap: 1, ScrapByReason: map[string]int{"Warped": 2, "interrupted": 1}},
			{LotID: 2, CyclesBegun: 8, Made: 7, Good: 4, Unverified: 2, Interrupted: 1, Scrap: 1, ScrapByReason: map[string]int{"stringing": 1}},
		},
		queue: []ledger.Receiver{{Name: "alerts.example.org-295ef0e6", Pending: 2, Failing: 1, Delivered: 9},
			{Name: "gone.example.org-00000000", Pending: 7}},
	}
}

func held() *supervisor.Snapshot {
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	offset := -1.25
	return &supervisor.Snapshot{
		At: at, State: supervisor.Held, Since: at.Add(-time.Minute), Cause: supervisor.Cause{Code: supervisor.CauseCheckParts},
		Lot:  &supervisor.LotView{ID: 2, Ordered: 20, Wanted: 13, DoneEarly: at.Add(80 * time.Minute), DoneAt: at.Add(90 * time.Minute), DoneLate: at.Add(2 * time.Hour)},
		Next: &supervisor.NextVisit{Parts: 0, At: at.Add(30 * time.Second)},
		Belt: supervisor.BeltView{TravelMM: 123456.5, AdvanceMM: 98765, SinceRealignMM: 5000, SinceCheckMM: 1200, UncertainMM: 12,
			OffsetMM: &offset, WorstOffsetMM: 1.85, OffsetLimitMM: 3, FilamentMM: 7346.37},
		Heat: supervisor.HeatView{NozzleC: 149.5, NozzleTargetC: 150, BedC: 34.2, HasNozzle: true, HasBed: true, Read: at.Add(-2 * time.Second)},
		Line: supervisor.LineView{Connected: true, SavedBytes: 77066, Stats: serialio.Stats{LinesSent: 36660, LinesAccepted: 36657, BytesSent: 1500000,
			BytesReceived: 120000, Resends: 3, Timeouts: 1, Garbled: 2,
			RoundTrips: serialio.RoundTrips{Counts: [13]uint64{0, 36000, 600, 50, 12: 7}, Sum: 95 * time.Second}}},
	}
}

func collector(b *books, s *supervisor.Snapshot) *Collector {
	return New(Options{Snapshot: func() *supervisor.Snapshot { return s }, Ledger: b, Version: "1.2.3", ScreenURL: "https://belt.workshop.example", NozzleCeilingC: 260, BedCeilingC: 100,
		Now: func() time.Time { return s.At }, Receivers: []string{"alerts.example.org-295ef0e6"}, Access: door{},
		Backup: func() (time.Time, bool) { return s.At.Add(-20 * time.Hour), false }})
}

// door is a gate at which somebody was turned away.
type door struct{}

func (door) Sessions() int { return 2 }

func (door) Refused() map[string]uint64 {
	return map[string]uint64{"no_secret": 1, "wrong_secret": 12, "too_many": 3, "role": 0, "origin": 0, "host": 1}
}

func TestGolden(t *testing.T) {
	c := busy(t)
	c.o.Dir = "" // its room is not the same everywhere
	l := c.o.Snapshot().Lot
	l.Jobs = l.Jobs[:2]
	if *update {
		r := prometheus.NewPedanticRegistry()
		r.MustRegister(c)
		if err := prometheus.WriteToTextfile(golden, r); err != nil {
			t.Fatal(err)
		}
	}
	f, err := os.Open(golden)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := testutil.CollectAndCompare(c, f); err != nil {
		t.Error(err)
	}
}

// settle waits for what a scrape has begun behind its back.
func settle(c prometheus.Collector) {
	if c, ok := c.(*Collector); ok {
		c.production.work.Wait()
	}
}

// values returns the series of one metric by label value.
func values(t testing.TB, c prometheus.Collector, name string) map[string]float64 {
	t.Helper()
	r := prometheus.NewPedanticRegistry()
	r.MustRegister(c)
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	settle(c)
	out := map[string]float64{}
	for _, f := range families {
		if f.GetName() != name {
			continue
		}
		for _, m := range f.GetMetric() {
			label := ""
			if len(m.GetLabel()) > 0 {
				label = m.GetLabel()[0].GetValue()
			}
			out[label] = m.GetGauge().GetValue() + m.GetCounter().GetValue()
		}
	}
	return out
}

// Exactly one state is 1 whatever the state, and a reason is only while it waits.
func TestStateSets(t *testing.T) {
	s := held()
	c := collector(clips(), s)
	for _, state := range supervisor.States() {
		s.State = state
		sum, set := 0.0, values(t, c, "beltwarden_state")
		for _, v := range set {
			sum += v
		}
		if len(set) != 17 || sum != 1 || set[strings.ToLower(state.String())] != 1 {
			t.Errorf("%s: %v", state, set)
		}
		waits := state == supervisor.Holding || state == supervisor.Held || state == supervisor.Suspending || state == supervisor.Suspended
		if got := values(t, c, "beltwarden_hold_reason"); got["check_parts"] != boolValue(waits) || len(got) != len(reasons) {
			t.Errorf("%s: %v", state, got)
		}
		aborted := state == supervisor.Aborting || state == supervisor.Aborted
		if got := values(t, c, "beltwarden_fault_reason"); got["check_parts"] != boolValue(aborted) {
			t.Errorf("%s: %v", state, got)
		}
	}
	s.State, s.Cause.Code = supervisor.Held, "a code that is new"
	if got := values(t, c, "beltwarden_hold_reason"); got["other"] != 1 {
		t.Errorf("an unknown reason: %v", got)
	}
}

// However many words operators use, the series stay bounded, none is lost, and a
// reason that has a series keeps it.
func TestScrapSeriesAreBounded(t *testing.T) {
	b := clips()
	c := collector(b, held())
	const name = "beltwarden_parts_scrapped_total"
	first := values(t, c, name)
	if first["warped"] != 2 || first["stringing"] != 1 || first["interrupted"] != 1 {
		t.Fatalf("%v", first)
	}
	want := 4.0
	for n := range 200 {
		b.counts[1].ScrapByReason[fmt.Sprintf("a word %03d %s\n", n, strings.Repeat("x", 100))] = 1
		want++
		values(t, c, name)
	}
	got, sum := values(t, c, name), 0.0
	for reason, v := range got {
		sum += v
		if len(reason) > maxReason {
			t.Errorf("the label %q is too long", reason)
		}
	}
	if len(got) != maxScrapReasons+1 || sum != want || got["warped"] != 2 || got["stringing"] != 1 {
		t.Errorf("%d series, sum %v of %v: %v", len(got), sum, want, got)
	}
}

func TestPastLotsAreReadOnce(t *testing.T) {
	b, s := clips(), held()
	c := collector(b, s)
	values(t, c, "x")
	b.reads = 0
	values(t, c, "x")
	if b.reads != 1 {
		t.Errorf("%d lots read for one scrape", b.reads)
	}
	b.counts[1].Made++ // the lot in progress goes on
	if got := values(t, c, "beltwarden_parts_completed_total")[""]; got != 49 {
		t.Errorf("%v parts", got)
	}
	b.counts = append(b.counts, ledger.Counts{LotID: 3, Made: 5})
	s.Lot = &supervisor.LotView{ID: 3}
	defer c.Close()
	if got := values(t, c, "beltwarden_parts_completed_total")[""]; got != 54 {
		t.Errorf("%v parts after the next lot began", got)
	}
}

// A ledger that does not answer leaves counts out; it does not set them to 0.
func TestLedgerDown(t *testing.T) {
	b := clips()
	b.err = errors.New("the disk failed")
	c := collector(b, held())
	if got := values(t, c, "beltwarden_ledger_up"); got[""] != 0 {
		t.Errorf("%v", got)
	}
	if got := values(t, c, "beltwarden_parts_completed_total"); len(got) != 0 {
		t.Errorf("%v", got)
	}
	if got := values(t, c, "beltwarden_belt_travel_meters_total"); got[""] != 123.4565 {
		t.Errorf("%v", got)
	}
	b.err = nil
	if got := values(t, c, "beltwarden_parts_completed_total"); got[""] != 48 {
		t.Errorf("%v", got)
	}
}

func TestFilamentDrawnBackIsNoReset(t *testing.T) {
	s := held()
	c := collector(clips(), s)
	for _, step := range []struct{ mm, want float64 }{{7346, 7.346}, {7345, 7.346}, {7350, 7.35}} {
		s.Belt.FilamentMM = step.mm
		if got := values(t, c, "beltwarden_filament_used_meters_total")[""]; got != step.want {
			t.Errorf("%v mm: %v m", step.mm, got)
		}
	}
}

func TestRegistryHasTheProcess(t *testing.T) {
	families, err := Registry(collector(clips(), held())).Gather()
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, f := range families {
		found[f.GetName()] = true
	}
	for _, name := range []string{"process_open_fds", "go_goroutines", "beltwarden_state"} {
		if !found[name] {
			t.Errorf("%s is missing", name)
		}
	}
}
