package app

import (
	"context"
	"os"
	"strconv"
	"time"

	"go.uber.org/zap"
)

// notifyAlive feeds the service manager's watchdog (sd_notify(3)).
const notifyAlive = "WATCHDOG=1"

// watchdogEvery is how often the service manager wants to hear that the daemon is alive;
// 0 where it does not (sd_watchdog_enabled(3)).
func watchdogEvery() time.Duration {
	if pid := os.Getenv("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return 0
	}
	us, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64)
	if err != nil || us <= 0 {
		return 0
	}
	return time.Duration(us) * time.Microsecond
}

// startWatchdog feeds the watchdog for as long as what matters is alive: the state machine
// with its connection, and the ledger. A daemon that hangs is then killed and started anew,
// and in between its heaters are switched off by the unit's last command.
func (a *App) startWatchdog() {
	every := watchdogEvery()
	if every == 0 {
		return
	}
	a.beside("watchdog", func(ctx context.Context) { a.feed(ctx, every/3) })
}

func (a *App) feed(ctx context.Context, every time.Duration) {
	sick := false
	look := func() {
		err := a.alive(ctx, every)
		switch {
		case ctx.Err() != nil:
		case err == nil:
			a.tell(notifyAlive)
		case !sick:
			a.log.Error("the watchdog is not fed: the daemon hangs", zap.Error(err))
		}
		sick = err != nil
	}
	look()
	repeatedly(ctx, every, look)
}

// alive asks all that must answer.
func (a *App) alive(ctx context.Context, within time.Duration) error {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	if err := a.run.Ping(ctx); err != nil {
		return err
	}
	_, err := a.ledger.NextIDs(ctx)
	return err
}
