package app

import (
	"context"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"
	"go.uber.org/zap"
)

// startWatchdog feeds the watchdog for as long as what matters is alive: the state machine
// with its connection, and the ledger. A daemon that hangs is then killed and restarted,
// and in between its heaters are switched off by the unit's last command.
func (a *App) startWatchdog() {
	every, err := systemd.SdWatchdogEnabled(false)
	if err != nil {
		a.log.Warn("cannot read the service manager's watchdog interval", zap.Error(err))
	}
	if every == 0 {
		return
	}
	a.startBackground("watchdog", func(ctx context.Context) { a.feedWatchdog(ctx, every/3) })
}

func (a *App) feedWatchdog(ctx context.Context, every time.Duration) {
	sick := false
	look := func() {
		err := a.checkAlive(ctx, every)
		switch {
		case ctx.Err() != nil:
		case err == nil:
			a.notifySystemd(systemd.SdNotifyWatchdog)
		case !sick:
			a.log.Error("watchdog not fed: the daemon hangs", zap.Error(err))
		}
		sick = err != nil
	}
	look()
	repeat(ctx, every, look)
}

// checkAlive returns nil if the run and the ledger answer.
func (a *App) checkAlive(ctx context.Context, within time.Duration) error {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	if err := a.run.Ping(ctx); err != nil {
		return err
	}
	_, err := a.ledger.NextIDs(ctx)
	return err
}
