package report_test

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"beltwarden/daemon/client"
	"beltwarden/daemon/precision"
	"beltwarden/daemon/report"
	"beltwarden/daemon/scenario"
	"beltwarden/supervisor/ledger"
)

// patience bounds waits that only a hang makes long: generous, since the computer may be slow and busy.
const patience = 5 * time.Minute

// TestReportOfALotThatWasRun: the report of a lot made on the simulated machine agrees
// with what the machine says that it did, and with what the daemon says of the lot; the
// file read by itself gives the same.
func TestReportOfALotThatWasRun(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	dir, err := os.MkdirTemp("", "bw") // a socket's path must be short
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	w, err := scenario.Open(ctx, scenario.Options{Parts: 6, Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := w.Close(context.WithoutCancel(ctx)); err != nil {
			t.Error(err)
		}
	}()
	if err := w.Order(ctx); err != nil {
		t.Fatal(err)
	}
	if err := w.Operate(ctx); err != nil {
		t.Fatal(err)
	}
	s, err := w.Summary(ctx)
	if err != nil {
		t.Fatal(err)
	}
	c := client.New(w.Socket)
	defer c.Close()
	text, err := c.LotReport(ctx, s.Lot, "json", report.ForWorkshop)
	if err != nil {
		t.Fatal(err)
	}
	var r report.Report
	if err := json.Unmarshal(text, &r); err != nil {
		t.Fatal(err)
	}
	i := r.Workshop
	if r.Ordered != 6 || r.Good != s.Good || i.Made != s.CyclesCompleted || i.Begun != s.CyclesBegun || i.Scrap != s.Scrap || i.Machine != "clip machine" || len(r.Provisional) > 0 {
		t.Errorf("%+v, the machine's side %+v", r, s)
	}
	if i.Made != s.Witness.Parts || math.Abs(i.Filament.TotalMM-s.Witness.FilamentMM) > 1 {
		t.Errorf("%d parts and %g mm of filament, the machine made %d of %g mm", i.Made, i.Filament.TotalMM, s.Witness.Parts, s.Witness.FilamentMM)
	}
	// The lot was the first thing that the belt did, and the last.
	if math.Abs(i.Belt.TravelMM-s.Witness.BeltTravelMM) > 0.5 || i.Belt.PartsMM > i.Belt.TravelMM || i.Belt.UncertainMM != 0 {
		t.Errorf("belt %+v, the machine ran %g mm", i.Belt, s.Witness.BeltTravelMM)
	}
	d, err := c.Lot(ctx, s.Lot)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(d.Figures, i.Production); diff != "" {
		t.Errorf("figures of the lot (-) and of its report (+):\n%s", diff)
	}
	if len(i.Visits) != len(d.Checks) || len(i.Holds) != len(d.Holds) || len(i.Alterations) != len(d.Alterations) || len(i.Parts) != len(d.Cycles) || len(i.Events) == 0 || len(i.Belt.Offsets) == 0 {
		t.Errorf("history: %+v", i)
	}
	var cycles float64
	for _, p := range i.Parts {
		cycles += *p.CycleS
	}
	if i.Cycle.N != 6 || math.Abs(cycles-6*i.Cycle.Mean) > 6e-3 || math.Abs(cycles-i.Production.ActualProductionS) > 0.05 {
		t.Errorf("cycles of %g s in all: %+v", cycles, i.Cycle)
	}
	fromFile(t, w.Ledger, &r)
}

// fromFile reads the ledger beside the daemon, and compares all that does not rest on
// the configuration.
func fromFile(t *testing.T, path string, r *report.Report) {
	t.Helper()
	l, err := ledger.Open(path, ledger.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	other, err := report.Read(t.Context(), l, r.Lot.ID, report.Settings{}, r.Written)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []*report.Report{r, other} {
		v.Remarks, v.Workshop.Machine, v.Workshop.Belt.LimitMM, v.Workshop.Cost = nil, "", 0, report.Cost{}
		f := &v.Workshop.Filament
		f.TotalG, f.AtMostG, f.PerGoodG = nil, nil, nil
	}
	daemon, err := precision.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	file, err := precision.Marshal(other)
	if err != nil {
		t.Fatal(err)
	}
	// The operator's last note, that the bin is empty, comes after the lot's end.
	if diff := cmp.Diff(strings.Split(string(daemon), ","), strings.Split(string(file), ",")); diff != "" {
		t.Errorf("by the daemon (-) and from the file (+):\n%s", diff)
	}
}
