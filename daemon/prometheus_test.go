package main

import (
	"bytes"
	"encoding/json"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"beltwarden/daemon/client"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// TestHoldReachesAReceiver: a lot runs on the simulated machine behind a terminal, the
// real Prometheus scrapes the hold, a rule of deploy fires, and the real Alertmanager
// hands the alert to a receiver; and tells it when the hold is over. The same Alertmanager
// takes what the daemon tells by itself.
func TestHoldReachesAReceiver(t *testing.T) {
	t.Parallel() // it waits most of the time
	prometheus, alertmanager := tool(t, "prometheus"), tool(t, "prometheus-alertmanager")
	if _, err := os.Stat("/usr/share/prometheus/alertmanager/email.tmpl"); err != nil {
		t.Skip("Debian's Alertmanager does not start without its templates: ", err)
	}
	daemonAt, prometheusAt, alertmanagerAt := freeAddress(), freeAddress(), freeAddress()
	w := newWorkshop(t, "", "hold:\n  every_parts: 1\nalerts:\n  alertmanagers:\n    - name: direct\n      url: http://"+alertmanagerAt+"\n")
	rewrite(t, w.config, w.config, `listen: ""`, "listen: "+daemonAt)
	s := rig.DefaultSettings()
	s.Belt.Axis, s.Speed = 'Y', 1000
	w.simulate(t, s)
	d := w.serve(t, "beltwarden")

	calls := newReceiver(t)
	// The files of deploy, with other addresses and shorter times.
	rewrite(t, "../deploy/beltwarden.rules.yml", w.dir+"/beltwarden.rules.yml", "for: 30s", "for: 2s")
	rewrite(t, "../deploy/prometheus.yml", w.dir+"/prometheus.yml", "127.0.0.1:7353", daemonAt, "127.0.0.1:9093", alertmanagerAt,
		"scrape_interval: 15s", "scrape_interval: 1s", "evaluation_interval: 15s", "evaluation_interval: 1s")
	rewrite(t, "../deploy/alertmanager.yml", w.dir+"/alertmanager.yml", "http://127.0.0.1:7360", calls.URL,
		"group_wait: 10s", "group_wait: 1s", "group_interval: 2m", "group_interval: 1s", "mute_time_intervals: [nights]", "mute_time_intervals: []")
	background(t, alertmanager, alertmanagerAt, "--config.file="+w.dir+"/alertmanager.yml", "--storage.path="+w.dir+"/am",
		"--web.listen-address="+alertmanagerAt, "--cluster.listen-address=")
	background(t, prometheus, prometheusAt, "--config.file="+w.dir+"/prometheus.yml", "--storage.tsdb.path="+w.dir+"/tsdb", "--web.listen-address="+prometheusAt)

	eventually(t, "the daemon answers", func() bool { return d.Ready(t.Context()) == nil })
	job, err := filepath.Abs(clipFile)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.OpenLot(t.Context(), client.LotRequest{Name: "plant-stake clips", Jobs: []string{job}, Good: []int{2}, Start: true, By: "test"}); err != nil {
		t.Fatal(err)
	}
	d.reach(t, supervisor.Held)
	held := calls.wait(t, "firing", "BeltwardenHeld", "check_parts")
	if held.Labels["machine"] != "clip-press" || held.Labels["severity"] != "warning" {
		t.Errorf("the alert has the labels %v", held.Labels)
	}
	if why := held.Annotations["why"]; why != "a check is due after so many parts" {
		t.Errorf("it says why: %q", why)
	}
	direct := calls.wait(t, "firing", "BeltwardenNeedsSomebody", "check_parts")
	if direct.Labels["machine"] != "clip machine" || direct.Labels["state"] != "Held" ||
		!strings.Contains(direct.Annotations["description"], "Read the lateral offset") {
		t.Errorf("the daemon itself sent %v, %v", direct.Labels, direct.Annotations)
	}
	askDashboard(t, prometheusAt)
	askRules(t, prometheusAt)
	lint(t, "http://"+daemonAt+"/metrics")

	offset := 0.2
	if _, err := d.Check(t.Context(), client.CheckRequest{Visit: supervisor.Visit{OffsetMM: &offset, Good: 1}, By: "test"}); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Command(t.Context(), client.CommandRequest{Command: supervisor.Unhold, By: "test"}); err != nil {
		t.Fatal(err)
	}
	d.reach(t, supervisor.Complete)
	calls.wait(t, "resolved", "BeltwardenHeld", "check_parts")
	calls.wait(t, "resolved", "BeltwardenNeedsSomebody", "check_parts")
	calls.wait(t, "firing", "BeltwardenLotMade", "")
	for _, name := range calls.names() {
		if !slices.Contains([]string{"BeltwardenHeld", "BeltwardenLotMade", "BeltwardenVisitSoon", "BeltwardenNeedsSomebody"}, name) {
			t.Errorf("a quiet lot has brought %s", name)
		}
	}
	d.stop(t)
}

// askDashboard asks every query of the dashboard of the server. What cannot be known at
// the first hold of a lot may be empty, and nothing else.
func askDashboard(t *testing.T, address string) {
	t.Helper()
	var board, all struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr, LegendFormat string }
		}
	}
	for file, into := range map[string]any{"beltwarden.json": &board, "beltwarden-all.json": &all} {
		data, err := os.ReadFile("../deploy/dashboard/" + file)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(data, into); err != nil {
			t.Fatal(err)
		}
	}
	known := regexp.MustCompile(`drift_(offset|rate)|drift_travel_to_limit_meters|lateral_offset_meters|size_|spool_|bin_|fault_reason|scrapped_total|order_scrapped|alerts_pending|production_oee|events_total|access_refused_total`)
	asked := 0
	for _, p := range append(board.Panels, all.Panels...) {
		for _, q := range p.Targets {
			asked++
			expr := strings.NewReplacer("$machine", "clip-press", "$__rate_interval", "30s").Replace(q.Expr)
			var answer struct {
				Status, Error string
				Data          struct{ Result []json.RawMessage }
			}
			body := get(t, "http://"+address+"/api/v1/query?query="+url.QueryEscape(expr))
			if err := json.Unmarshal(body, &answer); err != nil || answer.Status != "success" {
				t.Errorf("%s: %v %s", p.Title, err, answer.Error)
			}
			if len(answer.Data.Result) == 0 && !known.MatchString(expr) {
				t.Errorf("%s: nothing answers %s", p.Title, expr)
			}
		}
	}
	if asked < 50 {
		t.Errorf("%d queries", asked)
	}
}

// askRules expects that the server could work out every rule on what a daemon really
// tells: that two sides do not match shows at no other time.
func askRules(t *testing.T, address string) {
	t.Helper()
	var answer struct {
		Data struct {
			Groups []struct {
				Rules []struct{ Name, Health, LastError string }
			}
		}
	}
	if err := json.Unmarshal(get(t, "http://"+address+"/api/v1/rules"), &answer); err != nil {
		t.Fatal(err)
	}
	asked := 0
	for _, g := range answer.Data.Groups {
		for _, r := range g.Rules {
			asked++
			if r.Health != "ok" {
				t.Errorf("%s is %s: %s", r.Name, r.Health, r.LastError)
			}
		}
	}
	if asked < 30 {
		t.Errorf("%d rules", asked)
	}
}

// lint has promtool read what the daemon tells.
func lint(t *testing.T, address string) {
	t.Helper()
	cmd := exec.Command(tool(t, "promtool"), "check", "metrics")
	cmd.Stdin = bytes.NewReader(get(t, address))
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("promtool finds: %v\n%s", err, out)
	}
}
