package app

import (
	"context"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"beltwarden/daemon/disk"
)

// diskEvery is how often the room on the ledger's disk is measured: what a part writes in
// that time is a thousandth of the required room.
const diskEvery = 20 * time.Second

// startDiskWatch reports the free space on the ledger's disk to the run. It is measured here, since
// a disk that hangs must not stop the run.
func (a *App) startDiskWatch() {
	if a.o.Config.Ledger.ReserveMB <= 0 {
		return
	}
	a.startBackground("watch on the disk", a.watchDisk)
}

func (a *App) watchDisk(ctx context.Context) {
	dir, silent := filepath.Dir(a.o.Config.Ledger.Path), false
	measure := func() {
		free, err := a.freeBytes(dir)
		if err == nil {
			_ = a.run.ReportFreeSpace(ctx, free) // a run that has ended needs to know no more
		} else if !silent {
			a.log.Warn("the free space on the ledger's disk is unknown", zap.Error(err))
		}
		silent = err != nil
	}
	measure()
	repeat(ctx, diskEvery, measure)
}

// freeBytes measures what the daemon may still write to a folder's file system, in bytes.
func (a *App) freeBytes(dir string) (int64, error) {
	if a.o.Free != nil {
		return a.o.Free(dir)
	}
	return disk.Free(dir)
}
