package report

import (
	"math"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// pegs is a small lot, every figure of which is reckoned by hand in TestFiguresByHand.
func pegs() *book {
	b := &book{}
	b.lot = ledger.Lot{ID: 3, Name: "drip-line pegs", Status: ledger.LotClosed, Order: ledger.OrderBlocks, Jobs: []ledger.LotJob{{Path: "/srv/jobs/drip-peg.gcode",
		SHA256: "ab12", Name: "drip-peg", GoodOrdered: 3, FilamentMMPerCycle: 495, PlannedRun: 100 * time.Second, PlannedWaits: true}}}
	b.state(0, "Idle")
	b.lot.Opened = b.at(10)
	b.state(20, "Starting")
	b.state(100, "Execute")
	b.part(0, 100, 190, 200, 500, 800)
	b.part(0, 200, 310, 320, 510, 800)
	b.part(0, 320, 390, 400, 490, 800)
	b.state(400, "Held")
	b.holds = []ledger.Hold{{ID: 1, LotID: 3, State: "Held", Reason: supervisor.CauseCheckParts, Text: "3 parts since the last check", AtPart: 3, TravelMM: 3450,
		Begun: b.at(400), Ended: b.at(1000), How: "unhold", By: "Ada"}}
	b.checks = []ledger.Check{{ID: 1, LotID: 3, JobIndex: ref(0), At: start.Add(500 * time.Second), OffsetMM: ref(6.0), LengthsMM: []float64{19.9, 20.1}, Good: 3, By: "Ada",
		TravelMM: 3450, CyclesMade: 3, CorrectedBy: 2, Stamp: b.at(500)}}
	b.checks = append(b.checks, ledger.Check{ID: 2, LotID: 3, JobIndex: ref(0), At: start.Add(600 * time.Second), OffsetMM: ref(0.6), LengthsMM: []float64{19.9, 20.1}, Good: 2,
		Scrap: map[string]int{"stringing": 1}, By: "Ada", TravelMM: 3450, CyclesMade: 3, Corrects: 1, Stamp: b.at(600)})
	b.state(1000, "Execute")
	b.cycles = append(b.cycles, ledger.Cycle{Seq: 4, LotID: 3, Ordinal: 4, State: ledger.CycleStateDecided, Begun: b.at(1000), Interrupted: b.at(1060), Reason: "the cable came out",
		Decided: b.at(1900), CheckID: 3, Note: "half a peg"})
	b.course.ByCycle[4] = 300
	b.state(1060, "Aborting")
	b.state(1065, "Aborted")
	b.state(1600, "Clearing")
	b.state(1605, "Stopped")
	b.state(1610, "Idle")
	b.state(1620, "Starting")
	b.state(1650, "Execute")
	b.part(0, 1650, 1760, 1770, 520, 800)
	b.state(1770, "Completing")
	b.state(1800, "Complete")
	b.checks = append(b.checks, ledger.Check{ID: 3, LotID: 3, JobIndex: ref(0), At: start.Add(1900 * time.Second), LengthsMM: []float64{20.0, 20.4}, Good: 1, Realigned: true, By: "Ben",
		TravelMM: 4900, CyclesMade: 4, Stamp: b.at(1900)})
	b.lot.Changed = b.at(2000)
	b.times.Last = map[int64]ledger.Stamp{1: b.lot.Changed}
	b.counts = ledger.Counts{LotID: 3, Ordered: 3, CyclesBegun: 5, Confirmed: 4, Made: 5, Good: 3, Scrap: 2, InterruptedScrap: 1, ScrapByReason: map[string]int{"stringing": 1, "interrupted": 1},
		ByJob: []ledger.JobCounts{{Name: "drip-peg", Ordered: 3, CyclesBegun: 5, Confirmed: 4, Made: 5, InterruptedScrap: 1, CheckedGood: 3, CheckedScrap: 1}}}
	b.sizes = map[int]ledger.SizeOrdered{0: {LotID: 3, LengthMM: 20, ToleranceMM: 0.2}}
	b.course.FromMM, b.course.ToMM, b.course.UncertainMM = 1000, 4900, 40
	return b
}

// near compares to nine digits.
func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-9*math.Max(1, math.Abs(want)) {
		t.Errorf("%s: %.9g, want %.9g", what, got, want)
	}
}

func TestFiguresByHand(t *testing.T) {
	r := pegs().read(t, workshopSettings, time.Hour)
	w, j := r.Workshop, r.Jobs[0]
	if r.Ordered != 3 || r.Good != 3 || w.Made != 5 || w.Scrap != 2 || w.Begun != 5 || w.InterruptedScrap != 1 || len(r.Provisional)+len(w.Provisional) != 0 || r.For != ForWorkshop {
		t.Errorf("%+v\n%+v", r, w)
	}
	if j.Number != 1 || j.File != "drip-peg.gcode" || j.SHA256 != "ab12" || j.Good != 3 || j.Workshop.Scrap != 2 || j.Workshop.Unverified != 0 {
		t.Errorf("job %+v", j)
	}
	// 3 good of 5 looked at; Wilson with z = 1.959964: (0.6+z²/10 ∓ z√(0.24/5+z²/100))/(1+z²/5).
	near(t, "yield", w.Yield.Fraction, 0.6)
	if y := w.Yield; math.Abs(y.Low-0.2307244) > 1e-6 || math.Abs(y.High-0.8823792) > 1e-6 || y.Seen != 5 {
		t.Errorf("yield %+v", y)
	}
	// Cycles of 100, 120, 80 and 120 s; the one that broke off has none.
	if c := w.Cycle; c != (Spread{N: 4, Median: 110, Mean: 105, Least: 80, Most: 120}) || j.Workshop.Cycle != c {
		t.Errorf("cycle %+v, of the job %+v", c, j.Workshop.Cycle)
	}
	if m := j.Workshop.Making; m != (Spread{N: 4, Median: 100, Mean: 95, Least: 70, Most: 110}) {
		t.Errorf("making %+v", m)
	}
	// 10 s Idle, 80 + 30 + 30 between, 300 + 120 in parts and 60 in the torn one, 600 held, 545 until Stopped, then 15 and 200 idle.
	p := w.Production
	for name, c := range map[string][2]float64{"production": {p.ActualProductionS, 480}, "between": {p.BetweenS, 140}, "held": {p.HeldS, 600},
		"faults": {p.FaultsS, 545}, "idle": {p.IdleS, 225}, "busy": {p.PlannedBusyS, 1765},
		"availability": {p.Figures.Availability, 480. / 1765}, "effectiveness": {p.Figures.Effectiveness, 460. / 480},
		"quality": {p.Figures.QualityRatio, 0.6}, "OEE": {p.Figures.OEE, 0.6 * 460 / 1765}} {
		near(t, name, c[0], c[1])
	}
	near(t, "travel", w.Belt.TravelMM, 3900)
	near(t, "in parts", w.Belt.PartsMM, 4*800+300)
	near(t, "for each good part", *w.Belt.PerGoodMM, 1300)
	near(t, "uncertain", w.Belt.UncertainMM, 40)
	if o := w.Belt.Offsets; len(o) != 2 || *o[0].OffsetMM != 0.6 || o[0].TravelMM != 2450 || o[0].Visit != 2 || o[1].OffsetMM != nil || !o[1].Realigned {
		t.Errorf("offsets %+v", o)
	}
	if len(w.Visits) != 3 || w.VisitTimes != 2 || w.Visits[0].CorrectedBy != 2 {
		t.Errorf("%d visits at %d times: %+v", len(w.Visits), w.VisitTimes, w.Visits)
	}
	if i := w.Interruptions; len(i) != 1 || i[0].Part != 4 || i[0].Found != "scrap" || i[0].By != "Ben" || i[0].Note != "half a peg" {
		t.Errorf("interruptions %+v", i)
	}
	if h := w.Holds; len(h) != 1 || h[0].LengthS != 600 || h[0].TravelMM != 2450 || h[0].ByWall {
		t.Errorf("holds %+v", h)
	}
}

func TestFilamentAndCostByHand(t *testing.T) {
	w := pegs().read(t, workshopSettings, time.Hour).Workshop
	f := w.Filament
	near(t, "filament", f.TotalMM, 500+510+490+520)
	near(t, "by the files", f.FilesMM, 4*495)
	near(t, "at most", f.AtMostMM, 2020+495)
	near(t, "mass", *f.TotalG, 6.06)
	near(t, "at most, g", *f.AtMostG, 7.545)
	near(t, "for each, mm", *f.PerGoodMM, 2020./3)
	near(t, "for each, g", *f.PerGoodG, 2.02)
	c := w.Cost
	want := []CostLine{{Name: costFilament, Quantity: 0.00606, Unit: "kg", Rate: 20, Amount: 0.1212},
		{Name: costEnergy, Quantity: 620. / 3600 * 0.12, Unit: "kWh", Rate: 0.3, Amount: 0.0062},
		{Name: costMachine, Quantity: 1765. / 3600, Unit: "h", Rate: 1.5, Amount: 1765. / 2400},
		{Name: costLabour, Quantity: 10. / 60, Unit: "h", Rate: 24, Amount: 4}}
	if len(c.Lines) != len(want) || len(c.LeftOut) != 0 || c.Currency != "EUR" {
		t.Fatalf("%+v", c)
	}
	for i, l := range c.Lines {
		if l.Name != want[i].Name || l.Unit != want[i].Unit || l.Rate != want[i].Rate || l.Basis == "" {
			t.Errorf("%+v, want %+v", l, want[i])
		}
		near(t, l.Name+" quantity", l.Quantity, want[i].Quantity)
		near(t, l.Name, l.Amount, want[i].Amount)
	}
	near(t, "total", *c.Total, 0.1212+0.0062+1765./2400+4)
	near(t, "for each good part", *c.PerGood, (0.1212+0.0062+1765./2400+4)/3)
}

// A rate that is not set leaves its part out and is named; nothing is made up for it.
func TestRatesThatAreNotSet(t *testing.T) {
	for name, c := range map[string]struct {
		set     Settings
		lines   []string
		leftOut int
	}{
		"none":                  {Settings{}, nil, 4},
		"filament of no mass":   {Settings{Rates: Rates{FilamentPerKg: 20}}, nil, 4},
		"energy without power":  {Settings{Rates: Rates{EnergyPerKWh: 0.3}}, nil, 4},
		"labour without time":   {Settings{Rates: Rates{LabourPerHour: 20}}, nil, 4},
		"machine alone":         {Settings{Rates: Rates{MachinePerHour: 1}}, []string{costMachine}, 3},
		"filament and its mass": {Settings{FilamentGPerMM: 0.003, Rates: Rates{FilamentPerKg: 20}}, []string{costFilament}, 3},
	} {
		cost := pegs().read(t, c.set, time.Hour).Workshop.Cost
		if len(cost.Lines) != len(c.lines) || len(cost.LeftOut) != c.leftOut || (cost.Total == nil) != (c.lines == nil) || (cost.PerGood == nil) != (c.lines == nil) {
			t.Errorf("%s: %+v", name, cost)
		}
		for i, l := range cost.Lines {
			if l.Name != c.lines[i] {
				t.Errorf("%s: %+v", name, l)
			}
		}
	}
}

func TestSizesByHand(t *testing.T) {
	s := pegs().read(t, workshopSettings, time.Hour).Jobs[0].Size
	// 19.9, 20.1, 20.0, 20.4 about 20.1: squares 0.04, 0, 0.01, 0.09, through 3.
	sd := math.Sqrt(0.14 / 3)
	near(t, "mean", s.MeanMM, 20.1)
	near(t, "standard deviation", s.SDMM, sd)
	if s.Ppk != nil || s.Why != "fewer than 30 parts were measured" {
		t.Errorf("of four lengths: %v, %q", s.Ppk, s.Why)
	}
	if s.N != 4 || s.MinMM != 19.9 || s.MaxMM != 20.4 || *s.Outside != 1 || s.Lengths[3].MM != 20.4 || s.Lengths[0].Visit != 2 {
		t.Errorf("%+v", s)
	}
}

// Performance is by the lengths since the scale was set, and there is none with signals.
func TestPerformanceSinceTheScaleWasSet(t *testing.T) {
	first := 0
	check := func(travelMM float64, lengths ...float64) ledger.Check {
		return ledger.Check{JobIndex: &first, TravelMM: travelMM, LengthsMM: lengths}
	}
	lengths := func(n int, about float64) (list []float64) {
		for i := range n {
			list = append(list, about+0.01*float64([]int{0, 2, -1, 1, -2, 0, 1, -1}[i%8]))
		}
		return list
	}
	scale := []ledger.ScaleSet{{TravelMM: 500}}
	ordered := &ledger.SizeOrdered{LengthMM: 20, ToleranceMM: 0.1}
	for name, c := range map[string]struct {
		after []float64
		from  int
		why   string
	}{
		"few since":    {lengths(29, 20), 0, "fewer than 30 parts were measured since"},
		"enough since": {lengths(32, 20), 41, ""},
		"with a shift": {append(lengths(24, 20), lengths(16, 20.09)...), 0, "the control chart has signals"},
	} {
		visits := []ledger.Check{check(100, lengths(40, 20.05)...), check(600, c.after...)}
		s := sizeOf(visits, 0, ordered, controlFrom(visits, 0, scale), time.UTC)
		if s.From != c.from || (s.Ppk == nil) != (c.from == 0) || !strings.HasPrefix(s.Why, c.why) || s.N != 40+len(c.after) {
			t.Errorf("%s: %+v", name, s)
		}
		if s.Ppk != nil {
			sample, _ := quality.SampleOf(c.after)
			near(t, name, *s.Pp, 0.2/6/sample.SD)
		}
	}
}
