package api

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"strings"
	"testing"

	"beltwarden/daemon/report"
	"beltwarden/supervisor/ledger"
)

func TestLotReport(t *testing.T) {
	b := setUp(t, func(o *Options) { o.Report = report.Settings{Machine: "clip machine"} })
	if err := b.ledger.Commit(t.Context(), ledger.LotOpened{Lot: ledger.Lot{ID: 1, Name: "clips", Order: ledger.OrderBlocks, Jobs: []ledger.LotJob{{Name: "clip", GoodOrdered: 2}}}},
		ledger.CycleBegun{Seq: 1, LotID: 1, Ordinal: 1}, ledger.CycleMade{Seq: 1, Evidence: ledger.EvidenceConfirmed, FilamentMM: 500},
		ledger.CheckRecorded{Check: ledger.Check{ID: 1, LotID: 1, Good: 1, By: "Ada", Note: "a note of the workshop"}}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ query, kind, place string }{
		{"", "application/json", ""}, {"?format=json&for=workshop", "application/json", ""}, {"?format=csv", "text/csv; charset=utf-8; header=present", `attachment; filename="lot-1.csv"`},
		{"?format=html", "text/html; charset=utf-8", `inline; filename="lot-1.html"`}, {"?format=html&for=customer", "text/html; charset=utf-8", `inline; filename="lot-1.html"`},
		{"?for=customer", "application/json", ""}, {"?format=csv&for=customer", "text/csv; charset=utf-8; header=present", `attachment; filename="lot-1.csv"`},
	} {
		w := b.ask("GET", "/api/v1/lots/1/report"+c.query, "")
		h := w.Header()
		if w.Code != 200 || h.Get("Content-Type") != c.kind || h.Get("Content-Disposition") != c.place || h.Get("Cache-Control") != "no-store" || h.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: %d %v", c.query, w.Code, h)
		}
		if shown := strings.Contains(w.Body.String(), "a note of the workshop"); shown == strings.Contains(c.query, "customer") {
			t.Errorf("%s: the note is shown %t", c.query, shown)
		}
		if !strings.Contains(w.Body.String(), "clips") {
			t.Errorf("%s: %s", c.query, w.Body)
		}
	}
	var r report.Report
	if err := json.Unmarshal(b.ask("GET", "/api/v1/lots/1/report", "").Body.Bytes(), &r); err != nil || r.Good != 1 || r.Workshop.Machine != "clip machine" || r.Workshop.Filament.TotalMM != 500 {
		t.Errorf("%+v, %v", r, err)
	}
}

// The page's policy lets its own style in and nothing else, as a browser reckons it.
func TestReportPageHasItsOwnPolicy(t *testing.T) {
	b := setUp(t)
	if err := b.ledger.Commit(t.Context(), ledger.LotOpened{Lot: ledger.Lot{ID: 1, Order: ledger.OrderBlocks, Jobs: []ledger.LotJob{{GoodOrdered: 2}}}}); err != nil {
		t.Fatal(err)
	}
	w := b.ask("GET", "/api/v1/lots/1/report?format=html", "")
	_, rest, _ := strings.Cut(w.Body.String(), "<style>")
	style, _, found := strings.Cut(rest, "</style>")
	sum := sha256.Sum256([]byte(style))
	want := "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
	if got := w.Header().Values("Content-Security-Policy"); !found || len(got) != 1 || got[0] != want {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestReportRefuses(t *testing.T) {
	b := setUp(t)
	for path, want := range map[string]int{"9/report": 404, "0/report": 404, "x/report": 404, "1/report?format=pdf": 400, "1/report?for=everybody": 400} {
		w := b.ask("GET", "/api/v1/lots/"+path, "")
		if problemOf(t, w); w.Code != want {
			t.Errorf("%s: %d, want %d: %s", path, w.Code, want, w.Body)
		}
		if w.Header().Get("Content-Disposition") != "" {
			t.Errorf("%s: a problem is no file", path)
		}
	}
}
