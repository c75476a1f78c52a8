package app

import (
	"errors"
	"fmt"
	"time"

	"beltwarden/config"
	"beltwarden/daemon/backup"
	"beltwarden/supervisor/ledger"
)

// startBackups copies the ledger once a day, and then removes old details. A copy that is not complete
// when the daemon ends is removed.
func (a *App) startBackups() {
	work := a.upkeepDaily
	if a.backups != nil {
		work = a.backups.Run
	}
	a.startBackground("backups", work)
}

// newestBackup is for the metrics: when the newest copy was made, and whether the last try
// has failed.
func (a *App) newestBackup() (made time.Time, failed bool) {
	if a.backups == nil {
		return time.Time{}, false
	}
	last, why := a.backups.Newest()
	if last != nil {
		made = last.Made
	}
	return made, why != ""
}

// offerBackup says of a damaged ledger which copy can take its place. It is not put there
// by itself: what has been made since is not in it, and somebody has to know.
func offerBackup(err error, c *config.Ledger) error {
	if !errors.Is(err, ledger.ErrCorrupt) {
		return err
	}
	list, lerr := backup.List(c.BackupFolder)
	if lerr != nil || len(list) == 0 {
		return fmt.Errorf("%w; there is no backup in %s", err, c.BackupFolder)
	}
	last := list[len(list)-1]
	return fmt.Errorf("%w; the newest backup is of %s, later records are not in it; restore it with: beltwarden ledger restore %s %s",
		err, last.Made.Local().Format("2006-01-02 15:04"), c.Path, last.Path)
}
