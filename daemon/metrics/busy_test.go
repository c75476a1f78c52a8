package metrics

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"beltwarden/supervisor"
	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

func ptr(v float64) *float64 { return &v }

// busy is the machine with everything to tell that there can be at one time, and more
// jobs, reasons and kinds than have series of their own.
func busy(t testing.TB) *Collector {
	s, b := held(), clips()
	s.Next = &supervisor.NextVisit{Reason: supervisor.CauseCheckParts, Also: []string{supervisor.CauseOffset, "a code that is new"}, Parts: 3,
		MM: 740, At: s.At.Add(time.Hour), Early: s.At.Add(50 * time.Minute), Late: s.At.Add(70 * time.Minute)}
	s.Later = make([]supervisor.NextVisit, 4)
	l := s.Lot
	l.Status, l.Made, l.Good, l.Scrap, l.Unverified, l.Interrupted, l.Begun = ledger.LotOpen, 7, 4, 1, 2, 1, 8
	l.Part, l.PartBegun, l.PartTakes = 9, s.At.Add(-time.Minute), 7*time.Minute
	l.Yield = &book.Yield{Cycles: 17, Probability: 0.97, Yield: 0.9, Low: 0.6, High: 0.97}
	l.SizeSignal = "the newest length is beyond its limit"
	for range 3 * maxPositions {
		l.Jobs = append(l.Jobs, supervisor.JobView{Size: &book.Size{N: 30, Phase: quality.Frozen, MeanMM: 20.02, LowerMM: 19.9, UpperMM: 20.1,
			NewestMM: 20.13, Ordered: &book.SizeOrder{LengthMM: 20, ToleranceMM: 0.2}, Pp: ptr(1.4), Ppk: ptr(1.3),
			PpkInterval: &quality.Interval{Low: 1.1, High: 1.5}, OutsideMost: ptr(0.0002)}})
	}
	d := &s.Belt
	d.CalibratedMM, d.LoopMM, d.SeamMM, d.SeamAheadMM, d.SeamDoubtMM = ptr(123500), 1200, 8, ptr(412.5), 3
	d.Surface = &supervisor.SurfaceView{How: "taped", At: s.At.Add(-48 * time.Hour), TravelMM: 42000}
	d.Drift = belt.Forecast{N: 6, Basis: belt.OnReadings, OffsetMM: ptr(-1.3), RateMMPerM: ptr(-0.12), Rate95MMPerM: &[2]float64{-0.13, -0.11}, ResidualSDMM: ptr(0.1),
		Offset95MM: &[2]float64{-1.5, -1.1}, TravelToLimitMM: ptr(14000), TravelToLimitLower95MM: 11000, HoldMM: 9000, Flagged: make([]belt.Flag, 1)}
	s.Trial = &supervisor.TrialView{ID: 1, RunMM: 5000, DoneMM: 5000, Ran: true}
	bin := 40
	s.Supply = supervisor.SupplyView{SpoolLeftG: ptr(310), PartG: 2.4, Binned: &bin, BinHolds: 60}
	for n := range 20 { // the most that the configuration takes
		s.Care = append(s.Care, supervisor.CareView{Name: fmt.Sprint("care ", n), Since: s.At, Parts: &bin})
	}
	s.Heat.Unsure = true
	s.Line.Stats.LastHeard, s.Line.Stats.UnansweredBytes = s.At.Add(-time.Second), 96
	for n := range 100 {
		b.counts[1].ScrapByReason[fmt.Sprintf("word %d", n)] = 1
		b.events = append(b.events, ledger.Event{Stamp: ledger.Stamp{Seq: int64(10 * n)}, Kind: fmt.Sprintf("kind %d", n)})
	}
	b.queue[0].Oldest.At = s.At.Add(-time.Hour)
	b.times = ledger.Times{States: []ledger.State{{Stamp: ledger.Stamp{Seq: 1, Boot: 1}, State: "Execute"}},
		Last: map[int64]ledger.Stamp{1: {Seq: 9, Boot: 1, SinceStart: 10 * time.Minute}}}
	b.cycles = []ledger.Cycle{{State: ledger.CycleStateDischarged, Begun: ledger.Stamp{Seq: 2, Boot: 1, SinceStart: time.Minute},
		Discharged: ledger.Stamp{Seq: 3, Boot: 1, SinceStart: 8 * time.Minute}}}
	b.counts[1].ByJob = []ledger.JobCounts{{Made: 7}}
	c := collector(b, s)
	c.o.Dir = t.TempDir()
	values(t, c, "nothing") // has the figures reckoned
	return c
}

// series counts what a server keeps of a collector, and names its metrics. A histogram
// is its classes, one of them without bound, its sum and its count.
func series(t *testing.T, c prometheus.Collector) (n int, names []string) {
	t.Helper()
	r := prometheus.NewPedanticRegistry()
	r.MustRegister(c)
	n, names = gathered(t, r)
	settle(c)
	return n, names
}

// gathered is the same of a registry.
func gathered(t *testing.T, r *prometheus.Registry) (n int, names []string) {
	t.Helper()
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		names = append(names, f.GetName())
		for _, m := range f.GetMetric() {
			n++
			if h := m.GetHistogram(); h != nil {
				n += len(h.GetBucket()) + 2
			}
		}
	}
	return n, names
}

// The most series that there can be, as docs/metrics.md and deploy/README.md state them.
const (
	maxSeries   = 364
	perReceiver = 4
	// Of Go and of the process: as many as the library has, with room for its next release.
	maxOfProcess = 60
)

// In the busiest state every metric is there, and there are no more series than stated.
func TestSeriesAreBounded(t *testing.T) {
	c := busy(t)
	n, sent := series(t, c)
	for _, e := range table {
		if !slices.Contains(sent, e.name) {
			t.Errorf("%s is described and never sent", e.name)
		}
	}
	if n != maxSeries+perReceiver {
		t.Errorf("%d series with one receiver, of which docs/metrics.md says %d and %d for each receiver", n, maxSeries, perReceiver)
	}
	c.o.Receivers = []string{"one", "two", "three"}
	c.o.Ledger.(*books).queue = []ledger.Receiver{{Name: "one", Oldest: ledger.Stamp{At: time.Unix(1, 0)}},
		{Name: "two", Oldest: ledger.Stamp{At: time.Unix(1, 0)}}, {Name: "three", Oldest: ledger.Stamp{At: time.Unix(1, 0)}}}
	if n, _ := series(t, c); n != maxSeries+3*perReceiver {
		t.Errorf("%d series with three receivers", n)
	}
	c = busy(t)
	all, _ := gathered(t, Registry(c))
	settle(c)
	if of := all - n; of < 20 || of > maxOfProcess {
		t.Errorf("%d series of the process, stated are %d at most", of, maxOfProcess)
	}
}

// Nothing is sent twice, and nothing but a number, when little is known.
func TestAnEmptySnapshotIsTold(t *testing.T) {
	if n, _ := series(t, collector(&books{}, &supervisor.Snapshot{})); n < 80 || n > 155 {
		t.Errorf("%d series", n)
	}
}

func TestEventsAreReadOnce(t *testing.T) {
	b := clips()
	c := collector(b, held())
	const name = "beltwarden_events_total"
	if got := values(t, c, name); len(got) != len(kinds) || got["fault"] != 0 {
		t.Errorf("%v", got)
	}
	for n := range int64(2*eventsAtOnce + 5) {
		b.events = append(b.events, ledger.Event{Stamp: ledger.Stamp{Seq: n + 1}, Kind: []string{"fault", "board", "a new kind"}[n%3]})
	}
	for range 2 {
		if got := values(t, c, name); got["fault"] != 669 || got["board"] != 668 || got["other"] != 668 {
			t.Errorf("%v", got)
		}
	}
	// A long history takes several scrapes, and a count that is not whole is not given.
	b = clips()
	for n := range int64(maxEventReads*eventsAtOnce + 1) {
		b.events = append(b.events, ledger.Event{Stamp: ledger.Stamp{Seq: n + 1}, Kind: "fault"})
	}
	c = collector(b, held())
	if got := values(t, c, name); len(got) != 0 {
		t.Errorf("%v before all were read", got)
	}
	if got := values(t, c, name); got["fault"] != maxEventReads*eventsAtOnce+1 {
		t.Errorf("%v", got)
	}
}

// Events that were removed since they were old count on; those that went while the others
// were read are counted once.
func TestRemovedEventsCountOn(t *testing.T) {
	const name = "beltwarden_events_total"
	b := clips()
	b.events = []ledger.Event{{Stamp: ledger.Stamp{Seq: 9}, Kind: "fault"}}
	b.trimmed = []map[string]int{{"fault": 4, "new": 1}, {"fault": 5, "new": 1}, {"fault": 5, "new": 1}, {"fault": 5, "new": 1}, {"fault": 7}}
	c := collector(b, held())
	if got := values(t, c, name); len(got) != 0 {
		t.Errorf("%v while something was removed", got)
	}
	for range 2 { // what is removed later was counted
		if got := values(t, c, name); got["fault"] != 6 || got["other"] != 1 {
			t.Errorf("%v", got)
		}
	}
}

func TestFiguresAreReckonedNowAndThen(t *testing.T) {
	c := busy(t)
	b, now := c.o.Ledger.(*books), c.o.Snapshot().At
	c.o.Now = func() time.Time { return now }
	// ISO 22400-2 by hand: 7 min of production in 10 min busy, 7 parts of 50 s planned, 4 good of 7.
	const name = "beltwarden_production_oee_ratio"
	want := 7.0 / 10 * (7 * 50.0 / 420) * 4 / 7
	for _, step := range []struct {
		after  time.Duration
		reckon int
	}{{0, 1}, {15 * time.Second, 1}, {44 * time.Second, 1}, {time.Second, 2}, {-time.Hour, 3}} {
		now = now.Add(step.after)
		values(t, c, name)
		if got := values(t, c, name)[""]; got < want-1e-9 || got > want+1e-9 {
			t.Errorf("OEE %v, want %v", got, want)
		}
		if b.reckon != step.reckon {
			t.Errorf("%v later reckoned %d times, want %d", step.after, b.reckon, step.reckon)
		}
	}
	if got := values(t, c, "beltwarden_production_seconds"); got["producing"] != 420 || got["between"] != 180 || len(got) != 9 {
		t.Errorf("%v", got)
	}
	// What cannot be read leaves the figures there are, and is reported.
	b.failCycles = errors.New("the disk failed")
	now = now.Add(time.Hour)
	values(t, c, name)
	if got, up := values(t, c, name)[""], values(t, c, "beltwarden_ledger_up")[""]; got < want-1e-9 || got > want+1e-9 || up != 0 {
		t.Errorf("OEE %v, ledger up %v", got, up)
	}
	// Another lot has figures of its own, or none yet; and none is begun after Close.
	b.failCycles = nil
	c.Close()
	c.o.Snapshot().Lot.ID = 1
	if got := values(t, c, name); len(got) != 0 || b.reckon != 4 {
		t.Errorf("%v after %d reckonings", got, b.reckon)
	}
}

func TestVisitReasons(t *testing.T) {
	const name = "beltwarden_next_visit_reason"
	got := values(t, busy(t), name)
	if len(got) != len(visitReasons) || got["check_parts"] != 1 || got["offset_limit"] != 1 || got["other"] != 1 || got["done"] != 0 {
		t.Errorf("%v", got)
	}
	s := held()
	s.Next = nil
	for reason, v := range values(t, collector(clips(), s), name) {
		if v != 0 {
			t.Errorf("%s without a visit", reason)
		}
	}
}
