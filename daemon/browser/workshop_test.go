package browser

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// workshop is a daemon at work on a simulated machine, with an address for
// browsers. The machine outlives the daemon.
type workshop struct {
	t   *testing.T
	set *config.Settings
	rig *rig.Rig
	app *app.App
	url string // without a slash at its end
	hot bool   // a heater cannot be switched off, so that the daemon reports at its end that it may be on
}

// newWorkshop starts one. Speed is machine seconds per second, 0 for as fast as
// possible; alter may change the settings before the start.
func newWorkshop(t *testing.T, speed float64, alter ...func(*config.Settings)) *workshop {
	t.Helper()
	// The socket's path must be short, and a test's own directory often is not.
	dir, err := os.MkdirTemp("", "bw")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	c := config.Default()
	c.Machine.Name, c.Machine.Port = "clip machine", "simulated machine"
	c.Machine.BeltAxis, c.Machine.LiftAxis, c.Machine.Forward = config.AxisY, config.AxisZ, 1
	c.Machine.HomedAxes = []config.Axis{config.AxisX, config.AxisZ}
	c.Belt = config.Belt{LoopLengthMM: 1200, SeamWidthMM: 8, ToDropMM: 220, LimitMM: 3, WorstDriftMMPerM: 0.15}
	c.Hold.FirstArticle = false
	c.Ledger.Path = filepath.Join(dir, "ledger.db")
	c.Ledger.BackupKeep, c.Server.JobsFolder = 0, filepath.Join(dir, "jobs")
	c.Server.Socket, c.Server.Listen = filepath.Join(dir, "s"), "127.0.0.1:0"
	for _, f := range alter {
		f(c)
	}
	m := rig.DefaultSettings()
	m.Speed, m.Seed = speed, 1
	m.Belt.Axis = 'Y'
	m.Belt.LoopLengthMM, m.Belt.SeamWidthMM, m.Belt.ToDropMM = c.Belt.LoopLengthMM, c.Belt.SeamWidthMM, c.Belt.ToDropMM
	m.Belt.DriftPerTravelMMPerM = 0.09
	w := &workshop{t: t, set: c}
	if w.rig, err = rig.New(m); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = w.rig.Close() })
	w.start()
	t.Cleanup(w.stop)
	return w
}

// start starts the daemon, after a stop at the same address.
func (w *workshop) start() {
	w.t.Helper()
	a, err := app.New(w.t.Context(), app.Options{Config: w.set, Opener: w.rig.Open, Log: zap.NewNop(), Version: "1.2.3", Alter: hurry})
	if err != nil {
		w.t.Fatal(err)
	}
	if err := a.Start(w.t.Context()); err != nil {
		w.t.Fatal(err)
	}
	w.app = a
	w.set.Server.Listen = a.Addr()
	w.url = "http://" + a.Addr()
}

// stop ends the daemon in an orderly way. It can be called twice.
func (w *workshop) stop() {
	if w.app == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), longest)
	defer cancel()
	if err := w.app.Stop(ctx); w.hot != (err != nil) {
		w.t.Errorf("the daemon stops with: %v", err)
	}
	w.app = nil
}

// hurry shortens waits that a test would sit out in real time.
func hurry(s *supervisor.Settings) {
	s.PollEvery, s.RetryFirst, s.RetryMax = 20*time.Millisecond, 20*time.Millisecond, 200*time.Millisecond
	s.Conn.BootWait, s.Conn.QuietFor, s.Conn.ReplyLimit = 100*time.Millisecond, 10*time.Millisecond, 2*time.Second
}

// reach waits until the machine is in a state, without looking at a page.
func (w *workshop) reach(want supervisor.State) *supervisor.Snapshot {
	w.t.Helper()
	var s *supervisor.Snapshot
	ok := within(longest, func() bool { s = w.app.Snapshot(); return s.State == want })
	if !ok {
		w.t.Fatalf("the machine is %s (%s, %s), want %s", s.State, s.Cause.Text, s.Doing, want)
	}
	return s
}

// do gives the machine a request as the command line would.
func (w *workshop) do(r supervisor.Request) {
	w.t.Helper()
	if _, err := w.app.Do(w.t.Context(), r); err != nil {
		w.t.Fatal(err)
	}
}

// job is the path of one of the example jobs.
func job(t *testing.T, name string) string {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("..", "..", "testdata", "jobs", name))
	if err != nil {
		t.Fatal(err)
	}
	return path
}
