package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// TestHoldReachesAReceiver: a lot runs on the simulated machine behind a terminal, the
// real Prometheus scrapes the hold, a rule of deploy fires, and the real Alertmanager
// hands the alert to a receiver; and tells it when the hold is over.
func TestHoldReachesAReceiver(t *testing.T) {
	t.Parallel() // it waits most of the time
	prometheus, alertmanager := tool(t, "prometheus"), tool(t, "prometheus-alertmanager")
	if _, err := os.Stat("/usr/share/prometheus/alertmanager/email.tmpl"); err != nil {
		t.Skip("Debian's Alertmanager does not start without its templates: ", err)
	}
	w := newWorkshop(t, "", "hold:\n  every_parts: 1\n")
	daemonAt, prometheusAt, alertmanagerAt := freeAddress(t), freeAddress(t), freeAddress(t)
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
		"group_wait: 10s", "group_wait: 1s", "group_interval: 2m", "group_interval: 1s")
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
	held := calls.wait(t, "firing", "BeltwardenHeld")
	if held.Labels["machine"] != "clip-press" || held.Labels["reason"] != "check_parts" || held.Labels["severity"] != "warning" {
		t.Errorf("the alert has the labels %v", held.Labels)
	}
	if why := held.Annotations["why"]; why != "a check is due after so many parts" {
		t.Errorf("it says why: %q", why)
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
	calls.wait(t, "resolved", "BeltwardenHeld")
	calls.wait(t, "firing", "BeltwardenLotMade")
	for _, name := range calls.names() {
		if !slices.Contains([]string{"BeltwardenHeld", "BeltwardenLotMade", "BeltwardenVisitSoon"}, name) {
			t.Errorf("a quiet lot has brought %s", name)
		}
	}
	d.stop(t)
}

// askDashboard asks every query of the dashboard of the server. What cannot be known at
// the first hold of a lot may be empty, and nothing else.
func askDashboard(t *testing.T, address string) {
	t.Helper()
	data, err := os.ReadFile("../deploy/dashboard/beltwarden.json")
	if err != nil {
		t.Fatal(err)
	}
	var board struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr, LegendFormat string }
		}
	}
	if err := json.Unmarshal(data, &board); err != nil {
		t.Fatal(err)
	}
	known := regexp.MustCompile(`drift_(offset|rate)|drift_travel_to_limit_meters|lateral_offset_meters|size_|spool_|bin_|fault_reason|scrapped_total|order_scrapped|alerts_pending|production_oee|events_total|access_refused_total`)
	asked := 0
	for _, p := range board.Panels {
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

// tool finds a program that .ci/needs installs, or skips the test.
func tool(t *testing.T, name string) string {
	t.Helper()
	if path, err := exec.LookPath(name); err == nil {
		return path
	}
	path, err := filepath.Abs("../build/tools/" + name)
	if err == nil {
		if _, err = os.Stat(path); err == nil {
			return path
		}
	}
	t.Skipf("there is no %s on this computer (Debian: the package of that name)", name)
	return ""
}

// freeAddress returns a loopback address that nobody listened on just now.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// rewrite copies a file with words replaced, each of which must be there.
func rewrite(t *testing.T, from, to string, pairs ...string) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("%s does not say %q any more", from, pairs[i])
		}
		text = strings.ReplaceAll(text, pairs[i], pairs[i+1])
	}
	if err := os.WriteFile(to, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// background runs a server for the test's life: it returns when the server is ready, and
// expects it to end in order.
func background(t *testing.T, program, address string, args ...string) {
	t.Helper()
	log, err := os.Create(filepath.Join(t.TempDir(), "log"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, args...)
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var result error
	ended := make(chan struct{})
	go func() { result = cmd.Wait(); close(ended) }()
	t.Cleanup(func() {
		defer log.Close()
		hung := time.AfterFunc(patience, func() { _ = cmd.Process.Kill() })
		_ = cmd.Process.Signal(syscall.SIGTERM)
		<-ended
		hung.Stop()
		if result != nil {
			t.Errorf("%s ended with %v", filepath.Base(program), result)
		}
		if t.Failed() {
			said, _ := os.ReadFile(log.Name())
			t.Logf("%s said\n%s", filepath.Base(program), said[max(0, len(said)-4000):])
		}
	})
	eventually(t, filepath.Base(program)+" is ready", func() bool {
		select {
		case <-ended:
			t.Fatalf("%s has ended by itself", filepath.Base(program))
		default:
		}
		resp, err := http.Get("http://" + address + "/-/ready")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	})
}

// receiver is what Alertmanager calls.
type receiver struct {
	*httptest.Server
	mu    sync.Mutex
	calls []call
}

// call is one alert as it came.
type call struct {
	Status              string
	Labels, Annotations map[string]string
}

func newReceiver(t *testing.T) *receiver {
	r := &receiver{}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		var body struct{ Alerts []call }
		if err := json.NewDecoder(q.Body).Decode(&body); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		r.mu.Lock()
		defer r.mu.Unlock()
		r.calls = append(r.calls, body.Alerts...)
	}))
	t.Cleanup(r.Close)
	return r
}

// wait returns the first call of this status about the alert.
func (r *receiver) wait(t *testing.T, status, name string) (found call) {
	t.Helper()
	eventually(t, fmt.Sprintf("the receiver is told that %s is %s", name, status), func() bool {
		r.mu.Lock()
		defer r.mu.Unlock()
		i := slices.IndexFunc(r.calls, func(c call) bool { return c.Status == status && c.Labels["alertname"] == name })
		if i >= 0 {
			found = r.calls[i]
		}
		return i >= 0
	})
	return found
}

func (r *receiver) names() (names []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, c := range r.calls {
		names = append(names, c.Labels["alertname"])
	}
	return names
}

func get(t *testing.T, address string) []byte {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	q, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return body
}
