package ledger

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// A ledger is up to three files, and no system call exchanges three names at once. In between, one
// file may lie beside the log of another, or a ledger without its log, which SQLite would accept as
// complete. So a mark is set during the exchange, and Open refuses if it finds one.

const markEnd = ".restoring"

var sidecars = []string{"-wal", "-shm", ""}

// mark records durably that names are being exchanged.
func mark(path string) error {
	f, err := os.OpenFile(path+markEnd, os.O_WRONLY|os.O_CREATE|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0o640)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close(), syncDir(filepath.Dir(path))); err != nil {
		return errors.Join(err, unmark(path)) // nothing was exchanged
	}
	return nil
}

func unmark(path string) error {
	if err := os.Remove(path + markEnd); err != nil && !errors.Is(err, os.ErrNotExist) {
		return cutShort(path, err)
	}
	return syncDir(filepath.Dir(path))
}

// cutShort describes what to do about a restore that was neither finished nor undone.
func cutShort(path string, why error) error {
	if why == nil {
		why = fmt.Errorf("%w by a restore", ErrDisk)
	}
	return fmt.Errorf("a restore was interrupted (mark %s): run it again; the file that was there before is kept: %w", path+markEnd, why)
}

// unfinished refuses a ledger at which a restore was interrupted.
func unfinished(path string) error {
	if _, err := os.Lstat(path + markEnd); err != nil {
		return nil // none, or the path has other faults, which opening names
	}
	return cutShort(path, nil)
}

// exchange renames what is at path, with SQLite's files beside it, to a free name, and part to
// path. It returns the new name of the old file, "" if there was none. If it fails, everything is
// where it was and the mark is removed; otherwise the mark stays.
func exchange(part, path string) (aside string, err error) {
	if aside, err = freeAside(path); err != nil {
		return "", errors.Join(err, unmark(path))
	}
	var moved []string
	for _, end := range sidecars {
		err = os.Rename(path+end, aside+end)
		if errors.Is(err, os.ErrNotExist) {
			err = nil
			continue
		}
		if err != nil {
			break
		}
		moved = append(moved, end)
	}
	if err == nil {
		err = os.Rename(part, path)
	}
	if err == nil {
		if len(moved) == 0 {
			aside = ""
		}
		return aside, nil
	}
	for _, end := range moved {
		if berr := os.Rename(aside+end, path+end); berr != nil {
			return "", cutShort(path, errors.Join(err, berr))
		}
	}
	return "", errors.Join(err, unmark(path))
}

// freeAside returns an unused name.
func freeAside(path string) (string, error) {
	for n := 1; ; n++ {
		aside := fmt.Sprintf("%s.aside-%d", path, n)
		free := true
		for _, end := range sidecars {
			if _, err := os.Lstat(aside + end); err == nil {
				free = false
			} else if !errors.Is(err, os.ErrNotExist) {
				return "", err
			}
		}
		if free {
			return aside, nil
		}
	}
}
