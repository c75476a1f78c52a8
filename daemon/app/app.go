// Package app builds the daemon from its settings, starts it and takes it down
// again in the opposite order, so that a test can run the whole of it in-process.
package app

import (
	"context"
	"crypto/rand"
	"errors"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.uber.org/zap"

	"beltwarden/config"
	"beltwarden/daemon/access"
	"beltwarden/daemon/alert"
	"beltwarden/daemon/api"
	"beltwarden/daemon/backup"
	"beltwarden/daemon/metrics"
	"beltwarden/daemon/shelf"
	"beltwarden/serialio"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// Options say what to build.
type Options struct {
	// Config are the settings of the configuration file; required.
	Config *config.Settings
	// File is the path that Config comes from; "" where there is none.
	File string
	// Opener opens the port of the board; nil is [serialio.OpenDevice].
	Opener serialio.Opener
	// Log receives the daemon's log; nil makes one from Config that writes to
	// standard error.
	Log *zap.Logger
	// Version is what the build calls itself, shown in the metrics.
	Version string
	// Alter, when not nil, may change the settings of the run before it begins, as
	// the demo does to shorten its waits.
	Alter func(*supervisor.Settings)
	// Dial reaches webhooks, mail servers and Alertmanagers; nil is the network. It is for
	// tests in virtual time, in which nothing may wait for a network.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
	// Between, when not nil, wraps the ledger that the run uses. Tests kill the process there,
	// before and after a commit.
	Between func(supervisor.Ledger) supervisor.Ledger
	// Free measures the bytes left on the file system of a folder; nil asks the system.
	Free func(dir string) (int64, error)
}

// SettingsError reports that something named in the configuration cannot be used, such as a file
// with a secret. Starting again does not help until somebody has corrected it.
type SettingsError struct{ Err error }

// Error implements error.
func (e *SettingsError) Error() string { return e.Err.Error() }

// Unwrap returns the cause.
func (e *SettingsError) Unwrap() error { return e.Err }

// App is one daemon: ledger, run, receivers of alerts, and what is served. Its
// life is New, Start, Wait, Stop, or Run for all of it.
type App struct {
	o            Options
	log          *zap.Logger
	ledger       *ledger.Ledger
	run          *supervisor.Supervisor
	calls        *alert.Switchboard
	jobs         *jobReader
	shelf        *shelf.Shelf // nil when its folder cannot be used
	handler      http.Handler
	secret       bool // whether somebody needs one to come in
	gate         *access.Gate
	certificate  *access.Certificate // nil: no encryption
	signInAlerts alertCount
	backups      *backup.Keeper // nil: none are made
	links        *access.Coming // that messages hold; nil: none
	startID      string         // names this process in the identities of alerts

	limiter *limiter      // of the TCP listener, nil without
	address string        // of the TCP listener, set by Start
	failed  chan error    // what ended the daemon from within
	ended   chan struct{} // closed when Stop has taken everything down
	stop    sync.Once
	stopErr error

	cleanups []cleanup // run last-in first-out by Stop
}

// cleanup undoes one step of New or Start.
type cleanup struct {
	name string
	do   func(context.Context) error
}

func (a *App) onStop(name string, do func(context.Context) error) {
	a.cleanups = append(a.cleanups, cleanup{name, do})
}

// New opens the ledger and builds everything; nothing runs yet. When it fails,
// what was opened is closed again. Errors of the ledger stay recognisable to
// errors.Is.
func New(ctx context.Context, o Options) (*App, error) {
	a := &App{o: o, log: o.Log, failed: make(chan error, 1), ended: make(chan struct{})}
	if err := a.build(ctx); err != nil {
		return nil, errors.Join(err, a.stopBounded(ctx))
	}
	return a, nil
}

func (a *App) build(ctx context.Context) (err error) {
	c := a.o.Config
	if c == nil {
		return errors.New("cannot build the daemon: it has no settings")
	}
	if a.log == nil {
		if a.log, err = Logger(c.Log, os.Stderr); err != nil {
			return err
		}
	}
	if text := Exposed(a.o.File, c); text != "" {
		a.log.Warn(text)
	}
	if a.o.Opener == nil {
		a.o.Opener = serialio.OpenDevice
	}
	if err := a.openGate(c.Server); err != nil {
		return &SettingsError{err}
	}
	callees, err := a.receivers()
	if err != nil {
		return &SettingsError{err}
	}
	if len(callees) == 0 {
		a.log.Warn("no receiver of alerts is configured: nobody is called for a hold or a fault")
	}
	if a.ledger, err = ledger.Open(c.Ledger.Path, ledger.Options{}); err != nil {
		return offerBackup(err, &c.Ledger)
	}
	a.onStop("ledger", func(context.Context) error { return a.ledger.Close() })

	if n := c.Ledger.BackupKeep; n > 0 {
		a.backups = backup.New(backup.Options{Source: a.ledger, Ledger: c.Ledger.Path, Folder: c.Ledger.BackupFolder, Keep: n,
			Every: upkeepEvery, Log: a.log.Named("backup"), After: a.upkeep, ClockFloor: builtAfter()})
	}
	a.openShelf(c.Server)
	a.startID = strings.ToLower(rand.Text()[:12])
	set, options := RunSettings(c), JobOptions(c)
	if a.o.Alter != nil {
		a.o.Alter(&set)
	}
	now := optionsNow(options, func() *supervisor.Snapshot {
		if a.run == nil { // a lot of the last run is resumed before there is a run
			return nil
		}
		return a.run.Snapshot()
	}, func(ctx context.Context) (supervisor.Adhesion, error) { return supervisor.ReadAdhesion(ctx, a.ledger) })
	a.jobs = &jobReader{now, newArchive(c, a.ledger.Lots), a.ledger.Lots}
	var kept supervisor.Ledger = a.ledger
	if a.o.Between != nil {
		kept = a.o.Between(kept)
	}
	machine, err := supervisor.NewMachine(ctx, set, kept, a.jobs.reread, a.startID, time.Now())
	if err != nil {
		return err
	}
	a.run = supervisor.New(machine, kept, a.o.Opener, a.log.Named("run"))
	a.calls = alert.NewSwitchboard(alert.SwitchboardOptions{Outbox: a.ledger, Receivers: callees, Words: a.words(),
		Policy: alertPolicy(c), Retry: alertRetry(c), Snapshot: a.run.Snapshot, StartID: a.startID, Log: a.log.Named("alert")})

	collector := metrics.New(metrics.Options{Snapshot: a.run.Snapshot, Ledger: configuredOutbox{a.ledger, a.calls}, Version: a.o.Version, ScreenURL: c.Server.PublicURL,
		NozzleCeilingC: c.Machine.NozzleCeilingC, BedCeilingC: c.Machine.BedCeilingC, Receivers: a.calls.Names(),
		Dir: filepath.Dir(c.Ledger.Path), Access: a.gate, Backup: a.newestBackup})
	a.onStop("metrics", func(context.Context) error { collector.Close(); return nil })
	programs := api.New(api.Options{Run: a.run, Ledger: a.ledger, Inspect: a.jobs.inspect, Take: a.jobs.take, Kept: a.jobs.hasCopy, Shelf: a.shelf,
		Invite: a.invite, Alerts: a.calls, Report: ReportSettings(c), Log: a.log.Named("api"),
		Metrics: promhttp.HandlerFor(metrics.Registry(collector), promhttp.HandlerOpts{MaxRequestsInFlight: 2,
			ErrorLog: zap.NewStdLog(a.log.Named("metrics"))})})
	a.handler = a.gate.Handler(route(programs, a.screen(options)))
	return nil
}

// openShelf opens the folder for uploaded jobs. Without it the machine still works,
// from files that are named by their path.
func (a *App) openShelf(c config.Server) {
	var err error
	if a.shelf, err = shelf.Open(c.JobsFolder, int64(c.UploadLimitMB)*1e6); err != nil {
		a.log.Warn("jobs cannot be uploaded", zap.Error(err))
		return
	}
	a.onStop("folder for jobs", func(context.Context) error { return a.shelf.Close() })
}

// Addr returns the address that the screen listens on, such as 127.0.0.1:7353; it
// is empty before Start and when none is configured.
func (a *App) Addr() string { return a.address }

// Snapshot returns the newest picture of the run.
func (a *App) Snapshot() *supervisor.Snapshot { return a.run.Snapshot() }

// Do hands a request to the run, as an operator's command does.
func (a *App) Do(ctx context.Context, r supervisor.Request) (supervisor.Result, error) {
	return a.run.Do(ctx, r)
}

// Ledger returns the daemon's ledger. It is closed by Stop.
func (a *App) Ledger() *ledger.Ledger { return a.ledger }
