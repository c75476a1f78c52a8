// Package scenario is the world of the demo: a small greenhouse-supplies workshop
// that makes plant-stake clips on one belt machine. It has the job, the machine with a belt that
// drifts, the daemon that works it, and an operator: a person or the program.
package scenario

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/daemon/client"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// clip is the sliced job of one plant-stake clip.
//
//go:embed stake-clip.gcode
var clip []byte

// Options shape one run of the scenario.
type Options struct {
	Parts   int     // good clips ordered, at least 1
	Speed   float64 // machine seconds per second; 0: as fast as possible
	Dir     string  // existing directory for the job, the socket and the ledger
	Ledger  string  // path of the ledger; empty: in Dir
	Listen  string  // loopback address for the screen and the metrics; empty: none
	Version string
	Log     *zap.Logger // nil: no log
}

// World is the running scenario.
type World struct {
	Socket string // of the daemon
	Ledger string
	Job    string // path of the job file

	set       Options
	rig       *rig.Rig
	app       *app.App
	client    *client.Client
	began     time.Time
	before    supervisor.BeltView // the belt when the world was opened
	lot       int64
	inspected atomic.Int64 // parts of the machine that the operator has looked at
}

// Open starts machine and daemon. Close must be called when it returned nil.
func Open(ctx context.Context, o Options) (w *World, err error) {
	w = &World{set: o, Socket: filepath.Join(o.Dir, "daemon.sock"), Ledger: o.Ledger,
		Job: filepath.Join(o.Dir, "stake-clip.gcode"), began: time.Now()}
	if w.Ledger == "" {
		w.Ledger = filepath.Join(o.Dir, "ledger.db")
	}
	if err := os.WriteFile(w.Job, clip, 0o600); err != nil {
		return nil, fmt.Errorf("cannot lay out the job: %w", err)
	}
	if w.rig, err = rig.New(rigSettings(o.Speed)); err != nil {
		return nil, err
	}
	log := o.Log
	if log == nil {
		log = zap.NewNop()
	}
	w.app, err = app.New(ctx, app.Options{Config: w.settings(), Opener: w.rig.Open, Log: log, Version: o.Version, Alter: shorten(o.Speed)})
	if err == nil {
		err = w.app.Start(ctx)
	}
	if err != nil {
		return nil, errors.Join(err, w.rig.Close())
	}
	w.client = client.New(w.Socket)
	s, err := w.client.Status(ctx)
	if err != nil {
		return nil, errors.Join(err, w.Close(ctx))
	}
	w.before = s.Belt
	return w, nil
}

// Close stops the daemon, heaters off first, and then the machine.
func (w *World) Close(ctx context.Context) error {
	w.client.Close()
	return errors.Join(w.app.Stop(ctx), w.rig.Close())
}

// Status returns the newest picture of the run.
func (w *World) Status(ctx context.Context) (*supervisor.Snapshot, error) {
	return w.client.Status(ctx)
}

// Order opens the lot and has it begin as soon as the machine is ready.
func (w *World) Order(ctx context.Context) error {
	r, err := w.client.OpenLot(ctx, client.LotRequest{Name: "plant-stake clips", Jobs: []string{w.Job}, Good: []int{w.set.Parts},
		Start: true, By: operatorName})
	w.lot = r.LotID
	return err
}

// settings are what the workshop would write into its configuration file.
func (w *World) settings() *config.Settings {
	c := config.Default()
	c.Machine.Name, c.Machine.Port = "clip machine", "simulated machine"
	c.Machine.BeltAxis, c.Machine.LiftAxis, c.Machine.Forward = config.AxisY, config.AxisZ, 1
	c.Machine.HomedAxes = []config.Axis{config.AxisX, config.AxisZ}
	c.Belt = config.Belt{LoopLengthMM: 1200, SeamWidthMM: 8, ToDropMM: 220, LimitMM: limitMM, WorstDriftMMPerM: worstDriftMMPerM}
	c.Hold.FirstArticle = false // the workshop knows this clip; whoever looks for a minute sees parts made
	c.Hold.EveryParts = max(3, min(8, w.set.Parts/4))
	c.Ledger.Path = w.Ledger
	c.Server.Socket, c.Server.Listen = w.Socket, w.set.Listen
	c.Server.JobsFolder = filepath.Join(w.set.Dir, "jobs")
	c.Ledger.BackupKeep = 0 // it lives for an hour
	return c
}

// The belt drifts so that a visit every few parts finds something: a clip takes 1.8 m of belt
// travel. The figures are made up, in the range that owners report.
const (
	limitMM          = 3.0
	worstDriftMMPerM = 0.15
	trueDriftMMPerM  = 0.09
)

// rigSettings is the workshop's machine. The seed makes every demo the same.
func rigSettings(speed float64) rig.Settings {
	s := rig.DefaultSettings()
	s.Speed, s.Seed = speed, 1
	s.Belt.Axis = 'Y'
	s.Belt.LoopLengthMM, s.Belt.SeamWidthMM, s.Belt.ToDropMM = 1200, 8, 220
	s.Belt.DriftPerTravelMMPerM, s.Belt.JitterMMPerSqrtM = trueDriftMMPerM, 0.03
	s.Belt.DisturbancesPerM, s.Belt.DisturbanceMM = 0.02, 1.2
	return s
}

// idleSpeed is how many times faster than the wall's an idle simulated board's
// clock runs at full speed.
const idleSpeed = 2000

// shorten shortens the daemon's own waits as the machine's time is shortened. Limits that detect a
// failing machine stay long enough for a slow computer.
func shorten(speed float64) func(*supervisor.Settings) {
	if speed == 0 {
		speed = idleSpeed
	}
	return func(s *supervisor.Settings) {
		scale := func(d *time.Duration, usual, floor time.Duration) {
			if *d <= 0 {
				*d = usual
			}
			*d = max(floor, time.Duration(float64(*d)/speed))
		}
		const guard = 30 * time.Second
		scale(&s.PollEvery, 2*time.Second, 5*time.Millisecond)
		scale(&s.ProgressEvery, 30*time.Second, time.Second)
		scale(&s.RetryFirst, time.Second, 5*time.Millisecond)
		scale(&s.RetryMax, 30*time.Second, 50*time.Millisecond)
		scale(&s.HeatersOffAfter, 15*time.Minute, 50*time.Millisecond)
		scale(&s.ReheatLimit, 20*time.Minute, guard)
		scale(&s.ReleaseLimit, time.Hour, guard)
		scale(&s.Conn.BootWait, 3*time.Second, 100*time.Millisecond)
		scale(&s.Conn.ReplyLimit, 10*time.Second, time.Second)
		scale(&s.Conn.QuietFor, 100*time.Millisecond, 10*time.Millisecond)
		if s.CheckEvery > 0 {
			scale(&s.CheckEvery, 0, time.Second)
		}
	}
}
