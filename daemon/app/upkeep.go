package app

import (
	"context"
	"fmt"
	"strings"
	"time"

	"go.uber.org/zap"

	"beltwarden/daemon/shelf"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor/ledger"
)

const (
	// upkeepEvery is how often the ledger is copied and what is old removed.
	upkeepEvery = 24 * time.Hour
	// trimPause is left between two transactions that remove something: much longer than
	// one takes, so that the run has the ledger nearly to itself.
	trimPause = 100 * time.Millisecond
	// keepNewest is how much of the journal stays whatever the clock says: about two weeks
	// of parts of 20 minutes around the clock.
	keepNewest = 50_000
	// minNotedRows is from how many removed rows on the ledger notes it, and not the log alone.
	minNotedRows = 100
)

// upkeep removes old details, once a day and only after a backup has succeeded: what it removes is
// in the backups for some days more.
func (a *App) upkeep(ctx context.Context) {
	var removed []string
	if days := a.o.Config.Ledger.KeepDetails; days > 0 {
		done, err := a.ledger.Trim(ctx, ledger.Retention{Before: time.Now().AddDate(0, 0, -days), Newest: keepNewest, Receivers: a.calls.Names(), Pause: trimPause})
		if err != nil && ctx.Err() == nil {
			a.log.Warn("not all old details were removed", zap.Error(err))
		}
		if n := done.Rows(); n > 0 {
			a.log.Info("old details were removed from the ledger", zap.Int("rows", n), zap.Int("belt", done.Progress), zap.Int("alerts", done.Alerts),
				zap.Int("events", done.Events), zap.Int("states", done.States), zap.Duration("longest_write", done.Longest))
			if n >= minNotedRows {
				removed = append(removed, fmt.Sprintf("%s of the ledger that no count and no report rests on", wording.Count(n, "old detail")))
			}
		}
	}
	if a.shelf != nil {
		gone, err := a.tidyShelf(ctx)
		if err != nil {
			a.log.Warn("not all unused uploaded jobs were removed", zap.Error(err))
		}
		if len(gone) > 0 {
			removed = append(removed, fmt.Sprintf("%s not used by a lot for long: %s", wording.Count(len(gone), "uploaded job"), fileNames(gone)))
		}
	}
	if len(removed) == 0 {
		return
	}
	if err := a.ledger.Commit(ctx, ledger.EventNoted{Kind: "retention", Text: "removed " + strings.Join(removed, "; ")}); err != nil {
		a.log.Warn("cannot record what was removed", zap.Error(err))
	}
}

// fileNames lists the first few names.
func fileNames(list []shelf.Item) string {
	const most = 5
	var names []string
	for i, item := range list {
		if i == most {
			names = append(names, fmt.Sprintf("and %d more", len(list)-most))
			break
		}
		names = append(names, item.Name)
	}
	return strings.Join(names, ", ")
}

// tidyShelf removes uploaded jobs that nobody needs.
func (a *App) tidyShelf(ctx context.Context) ([]shelf.Item, error) {
	lots, err := a.ledger.Lots(ctx)
	if err != nil {
		return nil, err
	}
	use := usesOf(lots, func(j *ledger.LotJob) string { return j.Path })
	return a.shelf.Tidy(a.o.Config.Server.KeepJobs, int64(a.o.Config.Server.JobsLimitMB)*1e6, use)
}

// upkeepDaily is for a daemon that makes no copies.
func (a *App) upkeepDaily(ctx context.Context) {
	repeat(ctx, upkeepEvery, func() { a.upkeep(ctx) })
}
