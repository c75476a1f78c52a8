package app

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"

	"beltwarden/config"
	"beltwarden/daemon/alert"
	"beltwarden/daemon/client"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

const clipJob = "../../testdata/jobs/stake-clip.gcode"

func TestMain(m *testing.M) {
	// Before any goroutine reads it: attended and quiet hours are local time, a bubble's clock is UTC.
	time.Local = time.UTC
	goleak.VerifyTestMain(m)
}

// settings are those of a workshop with a simulated machine, in a directory of
// their own.
func settings(t *testing.T) *config.Settings {
	t.Helper()
	c, err := config.Parse("example.yaml", config.Example())
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	c.Ledger.Path = filepath.Join(dir, "ledger.db")
	short, err := os.MkdirTemp("", "bw") // a socket's path has to be short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(short) })
	c.Server.Socket = filepath.Join(short, "run", "s")
	c.Server.JobsFolder, c.Ledger.BackupFolder = filepath.Join(dir, "jobs"), filepath.Join(dir, "backups")
	c.Server.Listen = "127.0.0.1:0"
	c.Machine.ResetWait = time.Second
	c.Belt.WorstDriftMMPerM = 0.01
	c.Hold.FirstArticle = false // TestFirstArticle has it
	c.Alerts.RetryFirst = time.Second
	return c
}

func machine(t *testing.T) *rig.Rig {
	t.Helper()
	s := rig.DefaultSettings()
	s.Belt.Axis, s.Belt.LoopLengthMM, s.Speed = 'Y', 2400, 0
	r, err := rig.New(s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.Close() })
	return r
}

func start(t *testing.T, o Options) *App {
	t.Helper()
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	a, err := New(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = stopApp(a) }) // also where a test has failed half way
	return a
}

// patience bounds waits that only a hang makes long: generous, since the computer may be slow and busy.
const patience = 5 * time.Minute

func stopApp(a *App) error {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	return a.Stop(ctx)
}

func connect(t *testing.T, address string, o ...client.Option) *client.Client {
	t.Helper()
	c := client.New(address, o...)
	t.Cleanup(c.Close)
	return c
}

// reach waits for a state; the run is in real time, so that it is polled.
func reach(t *testing.T, c *client.Client, want supervisor.State) *supervisor.Snapshot {
	t.Helper()
	deadline, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	for {
		s, err := c.Status(deadline)
		if err != nil {
			t.Fatalf("waiting for %s: %v", want, err)
		}
		if s.State == want {
			return s
		}
		if s.State == supervisor.Aborted {
			t.Fatalf("waiting for %s: the machine has aborted: %s", want, s.Cause.Text)
		}
		select {
		case <-deadline.Done():
			t.Fatalf("the machine stays %s (%s, %s), want %s; heat %+v, line %+v", s.State, s.Cause.Text, s.Doing, want, s.Heat, s.Line.Stats)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// ear receives alerts.
type ear struct {
	mu    sync.Mutex
	heard []map[string]any
}

func (e *ear) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var v map[string]any
	if err := json.NewDecoder(r.Body).Decode(&v); err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	v["header"] = r.Header.Get(alert.AlertIDHeader)
	e.heard = append(e.heard, v)
}

func (e *ear) reasons() (codes []string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, v := range e.heard {
		codes = append(codes, v["reason"].(string))
	}
	return codes
}

// until waits for what happens in real time.
func until(t *testing.T, what string, is func() bool) {
	t.Helper()
	deadline := time.Now().Add(patience)
	for !is() {
		if time.Now().After(deadline) {
			t.Fatalf("it does not come about that %s", what)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func targets(r *rig.Rig) (nozzleC, bedC float64) {
	_, nozzleC, _, bedC = r.Temperatures()
	return nozzleC, bedC
}

func unreachable(err error) bool {
	var u *client.UnreachableError
	return errors.As(err, &u) && strings.Contains(err.Error(), "start it with: beltwarden serve --config FILE")
}

func metricsOf(t *testing.T, address string) string {
	t.Helper()
	defer http.DefaultClient.CloseIdleConnections()
	resp, err := http.Get("http://" + address + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s, %v", resp.Status, err)
	}
	return string(body)
}

// inAPart starts a daemon on a simulated machine and a lot, and waits until a part
// is made. The machine outlives the daemon.
func inAPart(t *testing.T, c *config.Settings) (*rig.Rig, *App, *client.Client) {
	t.Helper()
	s := rig.DefaultSettings()
	s.Belt.Axis, s.Speed = 'Y', 100
	r, err := rig.New(s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	a := start(t, Options{Config: c, Opener: r.Open})
	d := connect(t, c.Server.Socket)
	path, err := filepath.Abs(clipJob)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.OpenLot(t.Context(), client.LotRequest{Jobs: []string{path}, Good: []int{3}, Start: true}); err != nil {
		t.Fatal(err)
	}
	reach(t, d, supervisor.Execute)
	return r, a, d
}
