package report

import (
	"context"
	"testing"
	"time"

	"go.uber.org/goleak"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var berlin = time.FixedZone("", 2*3600)

// start is when the lots of these tests were opened.
var start = time.Date(2026, 5, 4, 8, 0, 0, 0, berlin)

// book is a ledger written by hand: its times are what the test says.
type book struct {
	lot    ledger.Lot
	counts ledger.Counts
	cycles []ledger.Cycle
	holds  []ledger.Hold
	checks []ledger.Check
	times  ledger.Times
	sizes  map[int]ledger.SizeOrdered
	course ledger.Course
	events []ledger.Event

	seq int64
}

func (b *book) Lot(context.Context, int64) (ledger.Lot, error)                   { return b.lot, nil }
func (b *book) Counts(context.Context, int64) (ledger.Counts, error)             { return b.counts, nil }
func (b *book) Cycles(context.Context, int64) ([]ledger.Cycle, error)            { return b.cycles, nil }
func (b *book) Holds(context.Context, int64) ([]ledger.Hold, error)              { return b.holds, nil }
func (b *book) Checks(context.Context, int64, int) ([]ledger.Check, error)       { return b.checks, nil }
func (b *book) Times(context.Context, int64) (ledger.Times, error)               { return b.times, nil }
func (b *book) Course(context.Context, int64) (ledger.Course, error)             { return b.course, nil }
func (b *book) Sizes(context.Context, int64) (map[int]ledger.SizeOrdered, error) { return b.sizes, nil }
func (b *book) Events(_ context.Context, limit int, after int64) (list []ledger.Event, err error) {
	for _, e := range b.events {
		if e.Stamp.Seq > after && len(list) < limit {
			list = append(list, e)
		}
	}
	return list, nil
}

// at is the next stamp of the journal, so many seconds after the start.
func (b *book) at(s float64) ledger.Stamp {
	b.seq++
	d := time.Duration(s * float64(time.Second))
	return ledger.Stamp{Seq: b.seq, Boot: 1, At: start.Add(d), SinceStart: d}
}

func (b *book) state(s float64, name string) {
	b.times.States = append(b.times.States, ledger.State{Stamp: b.at(s), State: name})
}

// part adds a part that was made and moved off.
func (b *book) part(job int, begun, made, off, filamentMM, travelMM float64) {
	n := len(b.cycles) + 1
	b.cycles = append(b.cycles, ledger.Cycle{Seq: int64(n), LotID: b.lot.ID, JobIndex: job, Ordinal: n, State: ledger.CycleStateDischarged,
		Begun: b.at(begun), Made: b.at(made), Discharged: b.at(off), FilamentMM: filamentMM, MachineTime: time.Duration((made - begun) * float64(time.Second)),
		Evidence: ledger.EvidenceConfirmed})
	if b.course.ByCycle == nil {
		b.course.ByCycle = map[int64]float64{}
	}
	b.course.ByCycle[int64(n)] = travelMM
}

func (b *book) read(t testing.TB, set Settings, after time.Duration) *Report {
	t.Helper()
	r, err := Read(t.Context(), b, b.lot.ID, set, start.Add(after))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func ref[T any](v T) *T { return &v }

// clips is a lot of plant-stake clips of ten minutes each: 40 parts with a visit after
// every eight, a fault that broke part 13 off, a realignment, and measured lengths.
func clips() *book {
	b := &book{}
	b.lot = ledger.Lot{ID: 7, Name: "plant-stake clips, spring", Status: ledger.LotClosed, Order: ledger.OrderBlocks, Reason: "all ordered parts are good",
		Particulars: ledger.Particulars{OrderNumber: "4500-17", Material: "PETG, green", MaterialBatch: "G 2605-3"},
		Jobs: []ledger.LotJob{{Path: "/srv/jobs/stake-clip.gcode", SHA256: "9f2c1c6a5f8e4f0fb0a4a1d0a7c3b0e2d4f6a8b0c2e4f6a8b0c2d4e6f8a0b2c4", Name: "stake-clip", GoodOrdered: 36,
			FilamentMMPerCycle: 610, BeltTravelMMPerCycle: 1790, PitchMM: 46, PlannedRun: 590 * time.Second, PlannedWaits: true}},
		Alterations: []ledger.Alteration{{Kind: ledger.Withheld, Line: 4, Text: "G28 Y", Why: "the belt has no end stop"},
			{Kind: ledger.Withheld, Line: 1210, Text: "M84", Why: "motors stay on: they hold the place of every part"},
			{Kind: ledger.Added, Line: 1, Text: "M84 S0", Why: "the board must not let its motors go by itself"}}}
	b.state(0, "Idle")
	b.lot.Opened = b.at(10)
	b.events = append(b.events, ledger.Event{Stamp: b.at(10), Kind: "lot", Text: "lot 7 opened by Ada: 36 stake-clip"})
	b.state(20, "Starting")
	b.state(300, "Execute")
	s := 300.0
	travel := 0.0
	offsets := []float64{0.4, 1.1, 2.0, 0.5, 1.2}
	lengths := [][]float64{{36.02, 36.05, 36.01, 36.04, 36.03}, {36.06, 36.02, 36.04, 36.05, 36.01}, {36.03, 36.05, 36.02, 36.07, 36.04},
		{36.05, 36.03, 36.04, 36.06, 36.02}, {36.04, 36.08, 36.05, 36.03, 36.06}}
	scrap := []map[string]int{nil, {"came loose": 1}, {"came loose": 1, "stringing": 1}, nil, nil}
	good := []int{8, 7, 6, 8, 7}
	hold := func(reason, text string, long float64, by string) {
		h := ledger.Hold{ID: int64(len(b.holds) + 1), LotID: 7, State: "Held", Reason: reason, Text: text, AtPart: len(b.cycles), TravelMM: travel, Begun: b.at(s)}
		b.state(s, "Held")
		s += long
		h.Ended, h.How, h.By = b.at(s), "unhold", by
		b.holds = append(b.holds, h)
		b.state(s, "Execute")
	}
	visit := func(k int, by, note string) {
		made := 0
		for _, c := range b.cycles {
			if c.Made.Seq > 0 {
				made++
			}
		}
		b.checks = append(b.checks, ledger.Check{ID: int64(len(b.checks) + 1), LotID: 7, At: start.Add(time.Duration(s+60) * time.Second), JobIndex: ref(0), OffsetMM: ref(offsets[k]),
			LengthsMM: lengths[k], Good: good[k], Scrap: scrap[k], Realigned: k == 2, Note: note, By: by, TravelMM: travel, CyclesMade: made, Stamp: b.at(s + 60)})
	}
	for n := range 39 {
		took := 600 + 12*float64((n*7)%5) - 20
		if n == 12 {
			c := ledger.Cycle{Seq: int64(len(b.cycles) + 1), LotID: 7, Ordinal: len(b.cycles) + 1, State: ledger.CycleStateDecided, Begun: b.at(s), Interrupted: b.at(s + 200),
				Reason: "the cable came out", Decided: b.at(s + 1500), CheckID: 2, Note: "half a clip"}
			b.state(s+200, "Aborting")
			b.state(s+210, "Aborted")
			b.events = append(b.events, ledger.Event{Stamp: b.at(s + 210), Kind: "fault", Text: "link: the port was closed"})
			b.holds = append(b.holds, ledger.Hold{ID: 2, LotID: 7, State: "Aborted", Reason: supervisor.CauseLink, Text: "the board is gone", AtPart: 12, TravelMM: travel, Begun: b.at(s + 210), Ended: b.at(s + 1500), How: "clear", By: "Ada"})
			b.cycles = append(b.cycles, c)
			b.course.ByCycle[c.Seq] = 700
			travel += 700
			b.course.UncertainMM += 31.5
			s += 1500
			b.state(s, "Execute")
		}
		b.part(0, s, s+took-120, s+took, 613.2, 1791)
		s += took
		travel += 1791
		switch len(b.cycles) {
		case 8, 17, 25, 33:
			k := len(b.checks)
			hold(supervisor.CauseCheckParts, "8 parts since the last check; one is due every 8", 400, []string{"Ada", "Ben", "Ada", "Ada"}[k])
			visit(k, []string{"Ada", "Ben", "Ada", "Ada"}[k], []string{"", "Two stuck to the belt at the far edge, scraped it clean.", "tracked anew, a quarter turn", ""}[k])
		}
	}
	b.state(s, "Completing")
	s += 90
	b.state(s, "Complete")
	s += 600
	visit(4, "Ben", "packed in bags of twelve")
	b.lot.Changed = b.at(s + 61)
	b.times.Last = map[int64]ledger.Stamp{1: b.lot.Changed}
	b.counts = ledger.Counts{LotID: 7, Ordered: 36, CyclesBegun: 40, Confirmed: 39, Made: 40, Good: 36, Scrap: 4, InterruptedScrap: 1,
		ScrapByReason: map[string]int{"came loose": 2, "stringing": 1, "interrupted": 1},
		ByJob:         []ledger.JobCounts{{Name: "stake-clip", Ordered: 36, CyclesBegun: 40, Confirmed: 39, Made: 40, InterruptedScrap: 1, CheckedGood: 36, CheckedScrap: 3}}}
	b.sizes = map[int]ledger.SizeOrdered{0: {LotID: 7, LengthMM: 36, ToleranceMM: 0.2}}
	b.course.FromMM, b.course.ToMM = 0, travel+420
	return b
}

// workshopSettings are those of the greenhouse-supplies workshop. A millimetre of
// 1.75 mm filament of 1.24 g/cm3 is 0.0029826 g.
var workshopSettings = Settings{Machine: "clip machine", OffsetLimitMM: 3, FilamentGPerMM: 0.003, Sender: "Greenhouse-supplies workshop, 3 Mill Lane",
	Rates: Rates{Currency: "EUR", FilamentPerKg: 20, EnergyPerKWh: 0.3, PowerW: 120, MachinePerHour: 1.5, LabourPerHour: 24, VisitMinutes: 5}}
