// Package backup keeps copies of the ledger: one a day, and the newest few of them. Every copy
// is complete, since the ledger checks it before it gets its name. Copies are numbered, and ordered
// by number: the clock of a small computer may be years off after a power cut.
package backup

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"beltwarden/daemon/disk"
)

// Source can copy itself into a new file. The real one is ledger.Ledger.
type Source interface {
	Backup(ctx context.Context, to string) error
}

// Options say what to keep, and where.
type Options struct {
	Source Source
	Ledger string // path of the ledger, for the room that a copy takes
	Folder string // absolute; made when it is not there
	Keep   int    // how many copies
	Every  time.Duration
	Log    *zap.Logger
	// After is called after each successful copy; nil for nothing. What it removes from the ledger
	// is in that copy.
	After func(ctx context.Context)
	// ClockFloor: a clock that shows an earlier time is not set, and says nothing about the age of a copy.
	ClockFloor time.Time
	// Now returns the time, with its monotonic part; nil is time.Now. Tests set the clock with it.
	Now func() time.Time
}

// Keeper makes the copies. Its methods may be used from any goroutine.
type Keeper struct {
	o       Options
	newest  atomic.Pointer[Copy]
	failure atomic.Pointer[string]
	free    func(dir string) (int64, error)
}

// Copy is one backup.
type Copy struct {
	Path   string    `json:"path"`
	Number int       `json:"number"`
	Bytes  int64     `json:"bytes"`
	Made   time.Time `json:"made"` // by the clock of that time
}

const (
	prefix, suffix = "ledger-", ".db"
	// startDelay is the least wait from the start of the daemon to its first copy: the start needs
	// a slow memory card for itself.
	startDelay = 2 * time.Minute
	// retryAfter is how long it waits after a copy that failed.
	retryAfter = time.Hour
	// makeLimit is how long one copy may take.
	makeLimit = 10 * time.Minute
	// reserveBytes stay free on the disk for the ledger.
	reserveBytes = 64 << 20
)

// New returns a keeper; [Keeper.Run] does the work.
func New(o Options) *Keeper {
	if o.Now == nil {
		o.Now = time.Now
	}
	k := &Keeper{o: o, free: disk.Free}
	if list, err := List(o.Folder); err == nil && len(list) > 0 {
		k.newest.Store(&list[len(list)-1])
	}
	return k
}

// Run makes a copy at each interval until ctx ends. Intervals are counted from the start of the
// process and not by the clock. At a start it makes a copy only if the newest is older than the
// interval or from the future, so that a daemon that starts every hour does not make one each time.
func (k *Keeper) Run(ctx context.Context) {
	wait := startDelay
	if last := k.newest.Load(); last != nil {
		now := k.o.Now()
		if age := now.Sub(last.Made); !now.Before(k.o.ClockFloor) && age >= 0 && age < k.o.Every {
			wait = max(startDelay, k.o.Every-age)
		}
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		}
		wait = k.o.Every
		if err := k.Make(ctx); err != nil && ctx.Err() == nil {
			wait = min(retryAfter, k.o.Every)
			k.o.Log.Warn("no backup of the ledger", zap.Error(err))
		} else if err == nil && k.o.After != nil {
			k.o.After(ctx)
		}
		timer.Reset(wait)
	}
}

// Make makes one copy now and removes those that are too many.
func (k *Keeper) Make(ctx context.Context) (err error) {
	defer func() {
		text := ""
		if err != nil {
			err = fmt.Errorf("cannot back up the ledger: %w", err)
			text = err.Error()
		}
		k.failure.Store(&text)
	}()
	if err := os.MkdirAll(k.o.Folder, 0o750); err != nil {
		return err
	}
	if err := k.sweep(); err != nil {
		return err
	}
	if err := k.checkRoom(); err != nil {
		return err
	}
	list, err := List(k.o.Folder)
	if err != nil {
		return err
	}
	n := 1
	if len(list) > 0 {
		n = list[len(list)-1].Number + 1
	}
	path := filepath.Join(k.o.Folder, prefix+fmt.Sprintf("%06d", n)+suffix)
	ctx, cancel := context.WithTimeout(ctx, makeLimit)
	defer cancel()
	if err := k.o.Source.Backup(ctx, path); err != nil {
		return err
	}
	made := Copy{Path: path, Number: n, Made: k.o.Now()}
	if info, err := os.Stat(path); err == nil {
		made.Bytes = info.Size()
	}
	k.newest.Store(&made)
	k.o.Log.Info("the ledger is backed up", zap.String("copy", path), zap.Int64("bytes", made.Bytes))
	// Only now, so that no copy is removed for one that fails.
	var errs []error
	for _, old := range list[:max(0, len(list)+1-k.o.Keep)] {
		errs = append(errs, os.Remove(old.Path))
	}
	return errors.Join(errs...)
}

// sweep removes incomplete copies of a killed process. One that a command is making just now is
// younger than a copy may take.
func (k *Keeper) sweep() error {
	entries, err := os.ReadDir(k.o.Folder)
	errs := []error{err}
	for _, e := range entries {
		if name := e.Name(); !strings.HasPrefix(name, "."+prefix) || !strings.Contains(name, suffix+".") || !strings.Contains(name, ".part") {
			continue
		}
		info, err := e.Info()
		if err != nil || !info.Mode().IsRegular() {
			continue
		}
		if age := time.Since(info.ModTime()); age < 0 || age > makeLimit {
			errs = append(errs, os.Remove(filepath.Join(k.o.Folder, e.Name())))
		}
	}
	return errors.Join(errs...)
}

// checkRoom refuses a copy that would take what the ledger needs.
func (k *Keeper) checkRoom() error {
	info, err := os.Stat(k.o.Ledger)
	if err != nil {
		return err
	}
	free, err := k.free(k.o.Folder)
	if err != nil {
		return err
	}
	if need := info.Size() + reserveBytes; free < need {
		return fmt.Errorf("%d MB are free and %d MB are needed, of which %d MB stay free for the ledger: make room on the disk, or keep fewer copies (ledger.backup_keep)",
			free/1e6, need/1e6, int64(reserveBytes)/1e6)
	}
	return nil
}

// Newest returns the newest copy, nil when there is none, and why the last try failed, if it did.
// If the clock was set meanwhile, the time of a copy of this process is adjusted to the new clock.
func (k *Keeper) Newest() (last *Copy, failure string) {
	if text := k.failure.Load(); text != nil {
		failure = *text
	}
	if c := k.newest.Load(); c != nil {
		now, shown := k.o.Now(), *c
		shown.Made = now.Add(-now.Sub(c.Made))
		last = &shown
	}
	return last, failure
}

// List returns the copies in a folder, oldest first. Files with other names are ignored. A folder
// that does not exist holds none.
func List(folder string) ([]Copy, error) {
	entries, err := os.ReadDir(folder)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("cannot list backups: %w", err)
	}
	var list []Copy
	for _, e := range entries {
		digits, begins := strings.CutPrefix(e.Name(), prefix)
		digits, ends := strings.CutSuffix(digits, suffix)
		if !begins || !ends || len(digits) < 6 {
			continue
		}
		n, err := strconv.Atoi(digits)
		info, ierr := e.Info()
		if err != nil || n < 1 || ierr != nil || !info.Mode().IsRegular() {
			continue
		}
		list = append(list, Copy{Path: filepath.Join(folder, e.Name()), Number: n, Bytes: info.Size(), Made: info.ModTime()})
	}
	slices.SortFunc(list, func(a, b Copy) int { return a.Number - b.Number })
	return list, nil
}
