package api

import (
	"encoding/json"
	"testing"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/supervisor/ledger"
)

// A lot is answered with its figures and the adhesion of the belt, from the ledger alone.
func TestLotHasFiguresAndAdhesion(t *testing.T) {
	b := setUp(t)
	commit := func(r ...ledger.Record) {
		if err := b.ledger.Commit(t.Context(), r...); err != nil {
			t.Fatal(err)
		}
	}
	commit(ledger.StateChanged{State: "Execute"},
		ledger.LotOpened{Lot: ledger.Lot{ID: 1, Order: ledger.OrderBlocks, Jobs: []ledger.LotJob{{GoodOrdered: 2, PlannedRun: time.Millisecond, PlannedWaits: true}}}})
	for seq := range int64(2) {
		commit(ledger.CycleBegun{Seq: seq + 1, LotID: 1, Ordinal: int(seq) + 1})
		time.Sleep(5 * time.Millisecond) // so that the ledger's clock, in milliseconds, has gone on
		commit(ledger.CycleMade{Seq: seq + 1, Evidence: ledger.EvidenceConfirmed, MachineTime: time.Hour}, ledger.CycleDischarged{Seq: seq + 1})
	}
	commit(ledger.CheckRecorded{Check: ledger.Check{ID: 1, LotID: 1, Good: 1, Scrap: map[string]int{"detached": 1}, DetachedAfter: []time.Duration{90 * time.Second}}})
	var l client.LotDetail
	if err := json.Unmarshal(b.ask("GET", "/api/v1/lots/1", "").Body.Bytes(), &l); err != nil {
		t.Fatal(err)
	}
	if f := l.Figures.Figures; f == nil || f.QualityRatio != 0.5 || l.Figures.PlannedRunS != 0.001 || l.Figures.Produced != 2 || l.Figures.ActualProductionS <= 0 {
		t.Errorf("figures %+v %+v", f, l.Figures)
	}
	if g := l.Adhesion; g.Made != 2 || g.Held != 1 || g.Earliest != 90*time.Second || g.Longest != time.Hour || len(g.Steps) != 1 || g.Steps[0].Fraction != 0.5 {
		t.Errorf("adhesion %+v", l.Adhesion)
	}
	if c := l.Checks[0]; len(c.DetachedMin) != 1 || c.DetachedMin[0] != 1.5 {
		t.Errorf("check %+v", c)
	}
}

// What a correction says reaches the run as it was said.
func TestCorrectionReachesTheRun(t *testing.T) {
	b := setUp(t)
	if w := b.ask("POST", "/api/v1/checks", `{"corrects":12,"sure":true,"detached_min":[2.5],"surface":"taped"}`); w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if v := b.run.asked[0].Visit; v.Corrects != 12 || !v.Sure || len(v.DetachedMin) != 1 || v.DetachedMin[0] != 2.5 || v.Surface != "taped" {
		t.Errorf("%+v", v)
	}
	if w := b.ask("POST", "/api/v1/checks", `{"past":{}}`); w.Code != 422 {
		t.Errorf("a past made up by the asker: %d %s", w.Code, w.Body)
	}
}
