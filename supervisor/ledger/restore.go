package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// Restore puts a backup in the ledger's place. The backup is looked through first, and is left where it is; what was in
// the ledger's place, whole or damaged, is moved aside under a name that is returned, with what SQLite kept beside it:
// nothing is lost by it. Since parts may have been made after the backup, the restored ledger no longer knows where the
// belt stands, and says so. A ledger that a daemon has open is refused with ErrLocked.
func Restore(ctx context.Context, backup, path string) (aside string, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("cannot restore ledger %s from %s: %w", path, backup, err)
		}
	}()
	if path, err = filepath.Abs(path); err != nil {
		return "", err
	}
	if sameFile(backup, path) {
		return "", errors.New("they are the same file")
	}
	if err := usable(ctx, backup); err != nil {
		return "", err
	}
	if aside, err = replace(ctx, backup, path); err != nil {
		return aside, err
	}
	return aside, forgetBelt(ctx, backup, path)
}

// replace puts a copy of the backup in place while it holds the lock.
func replace(ctx context.Context, backup, path string) (aside string, err error) {
	dir := filepath.Dir(path)
	if err := makeDirs(dir); err != nil {
		return "", fmt.Errorf("cannot make its directory: %w", err)
	}
	l := &Ledger{path: path}
	if err := l.takeLock(); err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, l.lock.Close()) }()
	if err := sweep(path); err != nil {
		return "", err
	}
	part, err := copyBeside(backup, path)
	if err != nil {
		return "", err
	}
	defer func() {
		if rerr := os.Remove(part); rerr != nil && !errors.Is(rerr, os.ErrNotExist) {
			err = errors.Join(err, rerr)
		}
	}()
	if err := usable(ctx, part); err != nil {
		return "", fmt.Errorf("the copy is not what the backup was: %w", err)
	}
	if aside, err = moveAside(path); err != nil {
		return "", err
	}
	if err := os.Rename(part, path); err != nil {
		return aside, err
	}
	return aside, syncDir(dir)
}

// forgetBelt notes in a restored ledger that it was, and that the belt may stand elsewhere by now.
func forgetBelt(ctx context.Context, backup, path string) (err error) {
	l, err := Open(path, Options{})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	b, err := l.Belt(ctx)
	if err != nil {
		return err
	}
	b.Known = false
	return l.Commit(ctx, EventNoted{Kind: "recovery", Text: "the ledger was restored from the backup " + filepath.Base(backup) +
		"; what was made since is not in it, and parts may lie on the belt"}, BeltMoved{Belt: b})
}

// usable reports why a file cannot serve as a ledger.
func usable(ctx context.Context, path string) error {
	l := &Ledger{path: path, opts: Options{}}
	header, err := readHeader(path)
	switch {
	case err != nil:
		return err
	case len(header) == 0:
		return fmt.Errorf("%s is empty or not there: %w", path, ErrNotFound)
	}
	if err := l.probe(ctx); err != nil {
		return err
	}
	db, err := sql.Open("sqlite", l.opts.sourceName(path, roleProbe))
	if err != nil {
		return err
	}
	var n int
	err = db.QueryRowContext(ctx, "SELECT count(*) FROM boot").Scan(&n)
	return errors.Join(damage(err), db.Close())
}

func sameFile(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}

// sweep takes away copies that a restore which was killed has left half made. The caller holds the lock: no other is at work.
func sweep(path string) error {
	entries, err := os.ReadDir(filepath.Dir(path))
	errs := []error{err}
	for _, e := range entries {
		middle, begins := strings.CutPrefix(e.Name(), "."+filepath.Base(path)+".")
		if _, ends := strings.CutSuffix(middle, ".part"); begins && ends && e.Type().IsRegular() {
			errs = append(errs, os.Remove(filepath.Join(filepath.Dir(path), e.Name())))
		}
	}
	return errors.Join(errs...)
}

// copyBeside copies a file to one beside path, synced, that only the daemon's group can read.
func copyBeside(from, path string) (part string, err error) {
	in, err := os.Open(from)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	out, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.part")
	if err != nil {
		return "", err
	}
	_, err = io.Copy(out, in)
	err = errors.Join(err, out.Chmod(0o640), out.Sync(), out.Close())
	if err != nil {
		return "", errors.Join(err, os.Remove(out.Name()))
	}
	return out.Name(), nil
}

// moveAside gives what is at path, and what SQLite keeps beside it, a name that is free. It returns that name, or nothing
// where there was no file.
func moveAside(path string) (string, error) {
	if _, err := os.Lstat(path); errors.Is(err, os.ErrNotExist) {
		// A log without its file would be taken for the new one's.
		for _, end := range []string{"-wal", "-shm"} {
			if err := os.Remove(path + end); err != nil && !errors.Is(err, os.ErrNotExist) {
				return "", err
			}
		}
		return "", nil
	}
	for n := 1; ; n++ {
		aside := fmt.Sprintf("%s.aside-%d", path, n)
		if _, err := os.Lstat(aside); err == nil {
			continue
		} else if !errors.Is(err, os.ErrNotExist) {
			return "", err
		}
		// The log first: should this be cut short, a file without its log is still refused or whole, and the log is kept.
		for _, end := range []string{"-wal", "-shm", ""} {
			if err := os.Rename(path+end, aside+end); err != nil && !errors.Is(err, os.ErrNotExist) {
				return "", err
			}
		}
		return aside, nil
	}
}
