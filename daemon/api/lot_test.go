package api

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"beltwarden/daemon/client"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

func upright(o *Options) {
	o.Inspect = func(ctx context.Context, path string, part job.Lines) (*job.Plan, error) {
		return job.Inspect(ctx, path, job.Options{BeltAxis: gcode.Y, Forward: 1, HomedAxes: []gcode.Axis{gcode.X, gcode.Z},
			GapMM: 10, NozzleCeilingC: 260, BedCeilingC: 100, Part: part}, nil)
	}
}

func TestOpenLotReadsTheFiles(t *testing.T) {
	b := setUp(t, upright)
	clip, err := filepath.Abs("../../testdata/jobs/stake-clip.gcode")
	if err != nil {
		t.Fatal(err)
	}
	body, _ := json.Marshal(client.LotRequest{Name: "clips", Order: "turn", Jobs: []string{clip, clip}, Good: []int{40}, Start: true, By: "Ada"})
	if w := b.ask("POST", "/api/v1/lots", string(body)); w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	q := b.run.asked[0]
	if l := q.Lot; l == nil || q.By != "Ada" || l.Name != "clips" || l.Order != "turn" || !l.Start || len(l.Plans) != 2 || l.Plans[1].Path != clip ||
		l.Plans[0].FilamentMM <= 0 || !cmp.Equal(l.Good, []int{40, 40}) {
		t.Errorf("%+v", q.Lot)
	}
}

// A lot is opened with the lines that were named as the part, each job with its own.
func TestOpenLotWithNamedParts(t *testing.T) {
	b := setUp(t, upright)
	clip, err := filepath.Abs("../../testdata/jobs/stake-clip.gcode")
	if err != nil {
		t.Fatal(err)
	}
	found, err := job.Inspect(t.Context(), clip, job.Options{BeltAxis: gcode.Y, HomedAxes: []gcode.Axis{gcode.X, gcode.Z}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	part := job.Lines{From: found.Body.FirstLine, To: found.Body.LastLine - 1}
	order := func(parts ...job.Lines) int {
		body, _ := json.Marshal(client.LotRequest{Jobs: []string{clip, clip}, Good: []int{4}, Parts: parts})
		return b.ask("POST", "/api/v1/lots", string(body)).Code
	}
	if code := order(part, job.Lines{}); code != 200 {
		t.Fatal(code)
	}
	for k, want := range []int64{part.To, found.Body.LastLine} {
		if got := b.run.asked[0].Lot.Plans[k].Body.LastLine; got != want {
			t.Errorf("job %d: the part ends in line %d, want %d", k+1, got, want)
		}
	}
	for _, wrong := range [][]job.Lines{{part}, {part, part, part}, {{From: 9, To: 8}, {}}, {{From: -1, To: 8}, {}}, {{To: 8}, {}}, {{From: 9, To: 1 << 40}, {}}} {
		if code := order(wrong...); code != 422 || len(b.run.asked) != 1 {
			t.Errorf("%+v: %d", wrong, code)
		}
	}
}

// Every file that cannot run is named with its reason, and nothing reaches the run.
func TestOpenLotListsEveryProblem(t *testing.T) {
	b := setUp(t, upright)
	dir := t.TempDir()
	hot, empty := filepath.Join(dir, "hot.gcode"), filepath.Join(dir, "empty.gcode")
	write := func(path, text string) {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(empty, "")
	write(hot, "G21\nG90\nM83\nG28 X Z\nM109 S400\nG1 X10 Y10 Z0.3 F3000\nG1 X60 Y30 E5\nG1 Z5\nM104 S0\n")
	missing := filepath.Join(dir, "missing.gcode")
	body, _ := json.Marshal(client.LotRequest{Jobs: []string{missing, empty, hot}, Good: []int{1}})
	w := b.ask("POST", "/api/v1/lots", string(body))
	p := problemOf(t, w)
	if w.Code != 422 || len(b.run.asked) != 0 {
		t.Errorf("%d, the run was asked %d times", w.Code, len(b.run.asked))
	}
	for _, want := range []string{missing, empty, hot} {
		if !strings.Contains(p.Detail, want) {
			t.Errorf("nothing about %s: %s", filepath.Base(want), p.Detail)
		}
	}
}

// What the ledger holds is answered without loss.
func TestLotDetail(t *testing.T) {
	b := setUp(t)
	offset, job0 := 0.75, 0
	belt := ledger.Belt{TravelMM: 120, AdvanceMM: 110, Known: true}
	commit := func(r ...ledger.Record) {
		t.Helper()
		if err := b.ledger.Commit(t.Context(), r...); err != nil {
			t.Fatal(err)
		}
	}
	commit(ledger.LotOpened{Lot: ledger.Lot{ID: 1, Name: "pegs", Order: ledger.OrderBlocks,
		Jobs: []ledger.LotJob{{Path: "/jobs/peg.gcode", SHA256: strings.Repeat("a", 64), Name: "peg", GoodOrdered: 4,
			FilamentMMPerCycle: 12.5, BeltTravelMMPerCycle: 200, PitchMM: 50}},
		Alterations: []ledger.Alteration{{Kind: ledger.Withheld, Line: 7, Text: "M84", Why: "the belt would slip"}}}},
		ledger.CycleBegun{Seq: 1, LotID: 1, Ordinal: 1, EndNumber: 90, Belt: belt},
		ledger.CycleMade{Seq: 1, Belt: belt, FilamentMM: 12.4, MachineTime: 90 * time.Second, Evidence: ledger.EvidenceConfirmed},
		ledger.CycleDischarged{Seq: 1, Belt: belt},
		ledger.HoldBegun{ID: 1, LotID: 1, State: "Held", Reason: "check_parts", Text: "a check is due", AtPart: 1, TravelMM: 120},
		ledger.CheckRecorded{Check: ledger.Check{ID: 1, LotID: 1, JobIndex: &job0, OffsetMM: &offset, Scrap: map[string]int{"warped": 1}, By: "Ada", TravelMM: 120, CyclesMade: 1}},
		ledger.HoldEnded{ID: 1, How: "unhold", By: "Ada"},
		ledger.CycleBegun{Seq: 2, LotID: 1, Ordinal: 2, EndNumber: 190, Belt: belt},
		ledger.CycleInterrupted{Seq: 2, Reason: "the power went", Belt: belt})
	w := b.ask("GET", "/api/v1/lots/1", "")
	var d client.LotDetail
	if err := json.Unmarshal(w.Body.Bytes(), &d); w.Code != 200 || err != nil {
		t.Fatalf("%d %s, %v", w.Code, w.Body, err)
	}
	if d.Ordered != 4 || d.Made != 1 || d.Good != 0 || d.Scrap != 1 || d.Interrupted != 1 || d.CyclesBegun != 2 || d.Unverified != 0 ||
		d.ScrapByReason["warped"] != 1 || d.Opened.Seq != 1 {
		t.Errorf("counts: %+v", d)
	}
	if j := d.Jobs[0]; j.Path != "/jobs/peg.gcode" || j.Scrap != 1 || j.PitchMM != 50 || j.FilamentMMPerCycle != 12.5 || j.BeltTravelMMPerCycle != 200 {
		t.Errorf("job: %+v", j)
	}
	if c := d.Cycles[0]; c.State != "discharged" || c.MachineTimeS != 90 || c.FilamentMM != 12.4 || c.Made == nil || c.Interrupted != nil || c.Good != nil || c.BegunAtMM != 120 {
		t.Errorf("first cycle: %+v", c)
	}
	if c := d.Cycles[1]; c.State != "interrupted" || c.Reason != "the power went" || c.Made != nil || c.Interrupted == nil {
		t.Errorf("second cycle: %+v", c)
	}
	if h := d.Holds[0]; h.Reason != "check_parts" || h.AtPart != 1 || h.Ended == nil || h.How != "unhold" || h.By != "Ada" {
		t.Errorf("hold: %+v", h)
	}
	if c := d.Checks[0]; *c.OffsetMM != 0.75 || *c.JobIndex != 0 || c.Scrap["warped"] != 1 || c.By != "Ada" || c.CyclesMade != 1 {
		t.Errorf("check: %+v", c)
	}
	if a := d.Alterations[0]; a != (client.Alteration{Kind: "withheld", Line: 7, Text: "M84", Why: "the belt would slip"}) {
		t.Errorf("alteration: %+v", a)
	}
}

// A file that takes longer to read than the server's bounds is read to its end.
func TestLongInspection(t *testing.T) {
	b := setUp(t, func(o *Options) {
		o.Inspect = func(ctx context.Context, path string, part job.Lines) (*job.Plan, error) {
			select {
			case <-time.After(10 * time.Minute):
				return &job.Plan{Path: path}, nil
			case <-ctx.Done():
				return nil, ctx.Err()
			}
		}
	})
	synctest.Test(t, func(t *testing.T) {
		server := &http.Server{Handler: b, ReadTimeout: 30 * time.Second, WriteTimeout: 30 * time.Second}
		listener := make(wires, 1)
		served := make(chan struct{})
		go func() { defer close(served); _ = server.Serve(listener) }()
		mine, its := net.Pipe()
		listener <- its
		sent := make(chan struct{})
		go func() {
			defer close(sent)
			const body = `{"jobs":["/clip.gcode"],"good":[1]}`
			fmt.Fprintf(mine, "POST /api/v1/lots HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n%s", len(body), body)
		}()
		if line, err := bufio.NewReader(mine).ReadString('\n'); !strings.Contains(line, " 200 ") {
			t.Errorf("%q, %v", line, err)
		}
		_ = mine.Close()
		close(listener)
		<-served
		<-sent
		_ = server.Close()
	})
}
