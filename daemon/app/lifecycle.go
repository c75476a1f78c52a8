package app

import (
	"context"
	"errors"
	"fmt"
	"log"
	"net"
	"net/http"
	"sync"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"
	"go.uber.org/zap"

	"beltwarden/config"
	"beltwarden/daemon/access"
)

// StopWithin is how long an orderly end may take altogether: heaters off, which
// has a bound of its own, then requests, then alerts, then the ledger. It is short
// as a rule: only a board that is waiting for its nozzle, and cannot be made to stop
// waiting, takes minutes. The unit file gives the process that time.
const StopWithin = 200 * time.Second

// shutdownWithin is how long requests under way may take to end. The run has ended
// by then, so none of them has anything to wait for.
const shutdownWithin = 3 * time.Second

// Start opens socket and address and sets everything going. The run comes last,
// so that it is the first to end: heaters wait for nobody. When Start fails, the
// app is stopped.
func (a *App) Start(ctx context.Context) error {
	if err := a.start(ctx); err != nil {
		return errors.Join(err, a.stopBounded(ctx))
	}
	return nil
}

// stopBounded takes everything down within a bound of its own, since the end of ctx may
// be the reason.
func (a *App) stopBounded(ctx context.Context) error {
	bound, cancel := context.WithTimeout(context.WithoutCancel(ctx), StopWithin)
	defer cancel()
	return a.Stop(bound)
}

func (a *App) start(ctx context.Context) error {
	a.startBackground("alerts", a.calls.Run)
	if err := a.startServer(ctx); err != nil {
		return err
	}
	a.startBackups()
	a.startDiskWatch()
	a.startRun()
	a.startWatchdog()
	a.startMemoryTrim()
	a.notifySystemd(systemd.SdNotifyReady)
	a.onStop("service manager", func(context.Context) error { a.notifySystemd(systemd.SdNotifyStopping); return nil })
	c := a.o.Config
	a.log.Info("started", zap.String("version", a.o.Version), zap.String("port", c.Machine.Port),
		zap.String("ledger", c.Ledger.Path), zap.String("socket", c.Server.Socket), zap.String("address", a.address))
	return nil
}

// notifySystemd informs the service manager; that it does not listen is no reason to stop.
func (a *App) notifySystemd(state string) {
	if _, err := systemd.SdNotify(false, state); err != nil {
		a.log.Warn("cannot tell the service manager "+state, zap.Error(err))
	}
}

// startBackground runs work until Stop, which ends its context and waits for it. The name is for
// errors of Stop.
func (a *App) startBackground(name string, work func(ctx context.Context)) {
	ctx, cancel := context.WithCancel(context.Background())
	var going sync.WaitGroup
	going.Go(func() { work(ctx) })
	a.onStop(name, func(bound context.Context) error {
		cancel()
		return waitWithin(bound, going.Wait)
	})
}

// repeat calls do after each interval until ctx ends.
func repeat(ctx context.Context, every time.Duration, do func()) {
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
			do()
		}
	}
}

// startServer listens and serves. Each listener has a server of its own: one that is
// shared settles its protocols with whichever listener comes first, and the other offers
// HTTP/2 that nobody then speaks.
func (a *App) startServer(ctx context.Context) error {
	base, cancel := context.WithCancel(context.Background())
	var serving sync.WaitGroup
	var servers []*http.Server
	a.onStop("server", func(bound context.Context) error {
		cancel()
		bound, done := context.WithTimeout(bound, shutdownWithin)
		defer done()
		errs := make([]error, len(servers))
		var ending sync.WaitGroup
		for i, server := range servers {
			ending.Go(func() {
				if err := server.Shutdown(bound); err != nil {
					errs[i] = errors.Join(fmt.Errorf("requests had to be cut off: %w", err), server.Close())
				}
			})
		}
		ending.Wait()
		serving.Wait()
		return errors.Join(errs...)
	})
	listeners, err := a.listen(ctx)
	if err != nil {
		return err
	}
	complaints := log.New(newServerLog(a.log.Named("http")), "", 0)
	for _, l := range listeners {
		server := newServer(base, a.handler, complaints)
		if c, ok := l.(*limiter); ok {
			server.ConnState = c.State
		}
		servers = append(servers, server)
		serving.Go(func() {
			if err := a.serve(server, l); !errors.Is(err, http.ErrServerClosed) {
				a.fail(fmt.Errorf("cannot serve on %s: %w", l.Addr(), err))
			}
		})
	}
	return nil
}

// newServer returns a server with bounds on the time and size of requests. The contexts of
// requests end with base.
func newServer(base context.Context, handler http.Handler, complaints *log.Logger) *http.Server {
	return &http.Server{
		Handler: handler, ConnContext: access.ConnContext, ErrorLog: complaints,
		ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second, WriteTimeout: 30 * time.Second,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10,
		BaseContext: func(net.Listener) context.Context { return base },
	}
}

// serve serves a listener until its server is shut down. Network connections are encrypted if
// there is a certificate.
func (a *App) serve(server *http.Server, l net.Listener) error {
	if a.certificate == nil || l.Addr().Network() != "tcp" {
		return server.Serve(l)
	}
	server.TLSConfig = a.certificate.Config()
	return server.ServeTLS(l, "", "") // the certificate is in its settings
}

// listen opens what the configuration names; when one fails, none stays open.
func (a *App) listen(ctx context.Context) (listeners []net.Listener, err error) {
	defer func() {
		if err != nil {
			for _, l := range listeners {
				_ = l.Close()
			}
			listeners = nil
		}
	}()
	c := a.o.Config.Server
	if c.Socket != "" {
		l, err := listenSocket(ctx, c.Socket)
		if err != nil {
			return listeners, err
		}
		listeners = append(listeners, l)
	}
	if c.Listen != "" {
		l, err := listenTCP(ctx, c.Listen, a.secret)
		if err != nil {
			return listeners, err
		}
		a.address = l.Addr().String()
		proxy, _ := config.ParsePrefix(c.TrustedProxy) // the zero Prefix, which contains nobody, for none
		a.limiter = newLimiter(l, proxy)
		listeners = append(listeners, a.limiter)
	}
	return listeners, nil
}

// startRun starts the run. It has failed if it ends before Stop.
func (a *App) startRun() {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	var ended error
	go func() {
		defer close(done)
		ended = a.run.Run(ctx)
		if ctx.Err() == nil {
			a.fail(errors.Join(errors.New("the run has ended by itself"), ended))
		}
	}()
	a.onStop("run", func(bound context.Context) error {
		cancel()
		if err := waitWithin(bound, func() { <-done }); err != nil {
			return fmt.Errorf("%w: heaters may be on, look at the machine", err)
		}
		return ended
	})
}

// waitWithin waits for something that should end, but no longer than the bound.
func waitWithin(bound context.Context, wait func()) error {
	done := make(chan struct{})
	go func() { defer close(done); wait() }()
	select {
	case <-done:
		return nil
	case <-bound.Done():
		return fmt.Errorf("has not ended in time: %w", bound.Err())
	}
}

// fail ends the daemon from within.
func (a *App) fail(err error) {
	select {
	case a.failed <- err:
	default: // the first failure is the one that counts
	}
}

// Wait returns when ctx ends, with nil, or when a part of the daemon has failed,
// with its error. Either way Stop follows.
func (a *App) Wait(ctx context.Context) error {
	select {
	case err := <-a.failed:
		return err
	case <-ctx.Done():
		return nil
	}
}

// Stop makes the machine safe and takes everything down, the last started first,
// each step within ctx. Errors name their step. It can be called twice.
func (a *App) Stop(ctx context.Context) error {
	a.stop.Do(func() {
		defer close(a.ended)
		var errs []error
		for i := len(a.cleanups) - 1; i >= 0; i-- {
			c := a.cleanups[i]
			if err := c.do(ctx); err != nil {
				errs = append(errs, fmt.Errorf("cannot stop the %s: %w", c.name, err))
			}
		}
		a.stopErr = errors.Join(errs...)
	})
	<-a.ended
	return a.stopErr
}

// Run starts the daemon, waits until ctx ends or a part fails, and stops it.
func (a *App) Run(ctx context.Context) error {
	if err := a.Start(ctx); err != nil {
		return err
	}
	failed := a.Wait(ctx)
	if failed != nil {
		a.log.Error("the daemon is ending", zap.Error(failed))
	}
	err := errors.Join(failed, a.stopBounded(ctx))
	_ = a.log.Sync() // standard error often cannot be synced
	return err
}
