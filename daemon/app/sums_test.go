package app

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"beltwarden/config"
	"beltwarden/daemon/client"
	"beltwarden/daemon/report"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// sums adds up what a person, a program or a spreadsheet reads: made is good, not looked at and scrap; cycles begun are
// made, interrupted and in progress; scrap is the sum of its reasons.
type sums struct {
	t     *testing.T
	added int // sums that were found and added up
}

var balance = regexp.MustCompile(`(\d+) made: (\d+) good, (\d+) not looked at, (\d+) scrap`)

// text adds up every balance in words.
func (s *sums) text(where, text string) {
	s.t.Helper()
	for _, m := range balance.FindAllStringSubmatch(text, -1) {
		s.equal(where+": "+m[0], number(m[1]), number(m[2])+number(m[3])+number(m[4]))
	}
}

func (s *sums) equal(where string, made, sum float64) {
	s.t.Helper()
	s.added++
	if made != sum {
		s.t.Errorf("%s: %g, and it adds up to %g", where, made, sum)
	}
}

func number(text string) float64 {
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil {
		return -1e9
	}
	return v
}

var (
	figure  = regexp.MustCompile(`(?s)<dt>(?:<span[^>]*></span>)?([^<]+)</dt><dd>(\d+)</dd>`)
	figures = regexp.MustCompile(`(?s)<dl class="figures">(.*?)</dl>`)
	table   = regexp.MustCompile(`(?s)<table[^>]*>(.*?)</table>`)
	tableTR = regexp.MustCompile(`(?s)<tr>(.*?)</tr>`)
	cell    = regexp.MustCompile(`(?s)<t[hd][^>]*>(.*?)</t[hd]>`)
)

// page adds up lists of figures and tables whose rows have counts.
func (s *sums) page(where, html string) {
	s.t.Helper()
	s.text(where, html)
	for _, list := range figures.FindAllString(html, -1) {
		row := map[string]string{}
		for _, m := range figure.FindAllStringSubmatch(list, -1) {
			row[m[1]] = m[2]
		}
		s.row(where, row)
	}
	for _, t := range table.FindAllString(html, -1) {
		var head []string
		for i, tr := range tableTR.FindAllString(t, -1) {
			row := map[string]string{}
			for k, m := range cell.FindAllStringSubmatch(tr, -1) {
				if i == 0 {
					head = append(head, m[1])
				} else if k < len(head) {
					row[head[k]] = m[1]
				}
			}
			s.row(where, row)
		}
	}
}

func (s *sums) row(where string, row map[string]string) {
	if _, ok := row["Made"]; ok && row["Good"] != "" {
		s.equal(fmt.Sprintf("%s: made of %v", where, row), number(row["Made"]), number(row["Good"])+number(row["Not looked at"])+number(row["Scrap"]))
	}
}

// object adds up every object of JSON that has counts.
func (s *sums) object(where string, v any) {
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			s.object(where, e)
		}
	case string:
		s.text(where, v)
	case map[string]any:
		n := func(key string) float64 { f, _ := v[key].(float64); return f }
		_, made := v["made"].(float64)
		_, good := v["good"].(float64)
		_, unverified := v["unverified"].(float64)
		if made && good && unverified {
			s.equal(where+": made", n("made"), n("good")+n("unverified")+n("scrap"))
		}
		if _, ok := v["in_progress"]; ok || v["cycles_wanted"] != nil {
			s.equal(where+": cycles begun", n("cycles_begun"), n("made")+n("interrupted")+n("in_progress"))
		}
		if reasons, ok := v["scrap_by_reason"].(map[string]any); ok {
			sum := 0.0
			for _, c := range reasons {
				sum += c.(float64)
			}
			s.equal(where+": scrap by reason", n("scrap"), sum)
		}
		for key, e := range v {
			s.object(where+"."+key, e)
		}
	}
}

// all looks at everything that shows counts.
func (s *sums) all(a *App, d *client.Client) {
	t := s.t
	t.Helper()
	ctx := t.Context()
	defer http.DefaultClient.CloseIdleConnections()
	get := func(path string) string {
		resp, err := http.Get("http://" + a.Addr() + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil || resp.StatusCode != http.StatusOK {
			t.Fatalf("%s: %s, %v", path, resp.Status, err)
		}
		return string(body)
	}
	for _, path := range []string{"/", "/lots", "/lots/1", "/visit"} {
		s.page(path, get(path))
	}
	for _, path := range []string{"/api/v1/status", "/api/v1/lots", "/api/v1/lots/1", "/api/v1/events"} {
		var v any
		if err := json.Unmarshal([]byte(get(path)), &v); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		s.object(path, v)
	}
	shot, err := d.Status(ctx)
	if err != nil {
		t.Fatal(err)
	}
	s.text("status", strings.Join(wording.Status(shot, wording.Style{Width: 100}), "\n"))
	s.text("status --full", strings.Join(wording.FullStatus(shot, wording.Style{Width: 100}), "\n"))
	lot, err := d.Lot(ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	s.text("lot show", strings.Join(wording.Lot(lot, wording.Style{Width: 100}), "\n"))
	for _, format := range []string{"json", "html"} {
		body, err := d.LotReport(ctx, 1, format, report.ForWorkshop)
		if err != nil {
			t.Fatal(err)
		}
		if format == "html" {
			s.page("report", string(body))
			continue
		}
		var v any
		if err := json.Unmarshal(body, &v); err != nil {
			t.Fatal(err)
		}
		s.object("report", v)
	}
	// Counts of one scrape are of one state of the ledger.
	counts := map[string]float64{}
	for _, line := range strings.Split(get("/metrics"), "\n") {
		if name, value, ok := strings.Cut(line, " "); ok && strings.HasPrefix(name, "beltwarden_") {
			name, _, _ = strings.Cut(name, "{")
			counts[name] += number(value)
		}
	}
	s.equal("metrics: parts completed", counts["beltwarden_parts_completed_total"],
		counts["beltwarden_parts_good_total"]+counts["beltwarden_parts_unverified"]+counts["beltwarden_parts_scrapped_total"])
}

// TestTheSumsAgree: lots with scrap, parts that nobody has looked at, parts that were interrupted and found good or scrap,
// and corrections; after each step everything that is shown adds up, wherever it is shown.
func TestTheSumsAgree(t *testing.T) {
	seeds := uint64(3)
	if testing.Short() {
		seeds = 1
	}
	for seed := range seeds {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel() // it waits for a machine most of the time
			draw := rand.New(rand.NewPCG(seed, 1))
			heard := new(ear)
			receiver := httptest.NewServer(heard)
			defer receiver.Close()
			c, r := settings(t), machine(t)
			c.Hold.EveryParts, c.Alerts.Ahead = 2, 0
			c.Alerts.Webhooks = []config.Webhook{{URL: receiver.URL, Timeout: patience}}
			a := start(t, Options{Config: c, Opener: r.Open})
			d := connect(t, c.Server.Socket)
			reach(t, d, supervisor.Idle)
			clip, err := filepath.Abs(clipJob)
			if err != nil {
				t.Fatal(err)
			}
			peg, err := filepath.Abs("../../testdata/jobs/drip-peg.gcode")
			if err != nil {
				t.Fatal(err)
			}
			if _, err := d.OpenLot(t.Context(), client.LotRequest{Jobs: []string{clip, peg}, Good: []int{3, 3}, Order: ledger.OrderTurn, Start: true}); err != nil {
				t.Fatal(err)
			}
			s := &sums{t: t}
			command := func(r client.CommandRequest) {
				t.Helper()
				if _, err := d.Command(t.Context(), r); err != nil {
					t.Fatal(err)
				}
			}
			stops, corrected := 0, false
			deadline := time.Now().Add(patience)
			for time.Now().Before(deadline) {
				shot, err := d.Status(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				switch shot.State {
				case supervisor.Execute:
					s.all(a, d)
					if stops < 2 && shot.Lot.InProgress > 0 && shot.Lot.Made > stops && shot.Lot.Wanted > 1 { // not in the last part: it could complete the lot
						stops++
						command(client.CommandRequest{Command: supervisor.Stop})
					}
				case supervisor.Stopped:
					s.all(a, d)
					visit := supervisor.Visit{BeltCleared: true}
					if shot.Lot.Interrupted > 0 {
						visit.Interrupted = []string{"scrap", "good"}[(stops+int(seed))%2]
					}
					s.visit(d, visit)
					command(client.CommandRequest{Command: supervisor.Reset, GoOn: true})
				case supervisor.Held, supervisor.Complete:
					s.all(a, d)
					if shot.Lot.Status == ledger.LotClosed {
						finished(s)
						return
					}
					var first int64
					for k, j := range shot.Lot.Jobs {
						n := j.Count().NotLookedAt()
						if n == 0 {
							continue
						}
						good := draw.IntN(n + 1)
						if shot.State == supervisor.Complete {
							good = n
						}
						visit := supervisor.Visit{Job: k, Good: good}
						if scrap := min(n-good, draw.IntN(2)); scrap > 0 {
							visit.Scrap = map[string]int{"warped": scrap}
						}
						first = s.visit(d, visit)
					}
					if !corrected && first > 0 {
						corrected = true
						s.visit(d, supervisor.Visit{Corrects: first, Job: 0, Sure: true})
					}
					s.all(a, d)
					switch shot.State {
					case supervisor.Held:
						command(client.CommandRequest{Command: supervisor.Unhold})
					case supervisor.Complete:
						if now, err := d.Status(t.Context()); err == nil && now.Lot.Wanted > 0 {
							command(client.CommandRequest{Command: supervisor.Reset, GoOn: true})
						}
					}
				case supervisor.Aborted:
					t.Fatalf("aborted: %s", shot.Cause.Text)
				}
				time.Sleep(5 * time.Millisecond)
			}
			t.Error("the lot did not end")
		})
	}
}

// finished ends a lot, after which enough must have been added up.
func finished(s *sums) {
	s.t.Helper()
	if s.added < 100 {
		s.t.Errorf("%d sums were added up: this shows nothing", s.added)
	}
	s.t.Logf("%d sums", s.added)
}

// visit records a visit and adds up its answer.
func (s *sums) visit(d *client.Client, v supervisor.Visit) int64 {
	s.t.Helper()
	r, err := d.Check(s.t.Context(), client.CheckRequest{Visit: v, By: "Ada"})
	if err != nil {
		s.t.Fatalf("%+v: %v", v, err)
	}
	s.text("the answer to a check", r.Text)
	return r.CheckID
}
