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

	"golang.org/x/sys/unix"
)

// Restore puts a backup in place of the ledger. The backup is checked first, and stays where it is;
// the old ledger, intact or damaged, is renamed with SQLite's files beside it, and its new name
// returned: nothing is lost. Since parts may have been made after the backup, the restored ledger
// no longer knows the belt's position, and says so. A ledger that a daemon has open is refused with
// ErrLocked. If it fails, everything is as before; if that is impossible, Open refuses until
// Restore succeeds.
func Restore(ctx context.Context, backup, path string) (aside string, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("cannot restore ledger %s from %s: %w", path, backup, (&Ledger{path: path}).classify(err))
		}
	}()
	if path, err = filepath.Abs(path); err != nil {
		return "", err
	}
	if sameFile(backup, path) {
		return "", errors.New("they are the same file")
	}
	if err := copyable(backup, filepath.Dir(path)); err != nil {
		return "", err
	}
	if err := usable(ctx, backup); err != nil {
		return "", err
	}
	return replace(ctx, backup, path)
}

// copyable refuses what cannot be a backup before anything waits for it. A directory that does not
// exist yet has the free space of the nearest existing one above it.
func copyable(backup, dir string) error {
	in, size, err := openRegular(backup)
	if err != nil {
		return err
	}
	if err := in.Close(); err != nil {
		return err
	}
	// SQLite would carry it out, in the backup itself, and remove a file that it names.
	if _, err := os.Lstat(backup + "-journal"); err == nil {
		return fmt.Errorf("%s-journal lies beside it: it was copied while it was being written; take another backup", backup)
	}
	// Only the file is copied, and the newest commits may be in the log.
	if log, err := os.Lstat(backup + "-wal"); err == nil && (!log.Mode().IsRegular() || log.Size() > 0) {
		return fmt.Errorf("%s-wal lies beside it, and what is in it would be lost: make one file of both first (beltwarden ledger backup %s NEW), and restore from that",
			backup, backup)
	}
	for {
		var fs unix.Statfs_t
		switch err := unix.Statfs(dir, &fs); {
		case errors.Is(err, unix.ENOENT) && dir != filepath.Dir(dir):
			dir = filepath.Dir(dir)
		case err != nil:
			return fmt.Errorf("cannot ask how much room %s has: %w", dir, err)
		case uint64(size) > fs.Bavail*uint64(fs.Bsize): //nolint:gosec // neither is negative
			return fmt.Errorf("it has %d bytes, and %s has room for %d: %w", size, dir, fs.Bavail*uint64(fs.Bsize), ErrFull) //nolint:gosec // not negative
		default:
			return nil
		}
	}
}

// openRegular opens a regular file and nothing else, without blocking. It returns its size in
// bytes.
func openRegular(path string) (*os.File, int64, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil, 0, fmt.Errorf("%s is empty or not there: %w", path, ErrNotFound)
	case errors.Is(err, unix.ELOOP):
		return nil, 0, fmt.Errorf("%s is a symbolic link: name the file that it leads to", path)
	case errors.Is(err, unix.ENXIO):
		return nil, 0, fmt.Errorf("%s is not a regular file: name a backup", path)
	case err != nil:
		return nil, 0, err
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%s is not a regular file (%s): name a backup", path, info.Mode().Type())
	}
	if err != nil {
		return nil, 0, errors.Join(err, f.Close())
	}
	return f, info.Size(), nil
}

// contextReader is a reader that ends with its context.
type contextReader struct {
	ctx context.Context
	r   io.Reader
}

func (w contextReader) Read(p []byte) (int, error) {
	if err := w.ctx.Err(); err != nil {
		return 0, err
	}
	return w.r.Read(p)
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
	part, err := copyBeside(ctx, backup, path)
	if err != nil {
		return "", err
	}
	defer func() {
		if rerr := errors.Join(removeAll(part), removeAll(part+".lock")); err != nil {
			err = errors.Join(err, rerr) // otherwise the ledger is in place, and what lies beside it does no harm
		}
	}()
	if err := usable(ctx, part); err != nil {
		return "", fmt.Errorf("the copy is not what the backup was: %w", err)
	}
	// Before it is in place: a ledger that seems to know the belt's position would lay parts on parts.
	if err := forgetBelt(ctx, backup, part); err != nil {
		return "", err
	}
	if err := mark(path); err != nil {
		return "", err
	}
	if aside, err = exchange(part, path); err != nil {
		return "", err
	}
	return aside, errors.Join(syncDir(dir), unmark(path))
}

// forgetBelt notes in a restored ledger that it was restored, and that the belt may have moved.
func forgetBelt(ctx context.Context, backup, path string) (err error) {
	l, err := Open(path, Options{})
	if err != nil {
		return err
	}
	b, err := l.Belt(ctx)
	if err == nil {
		b.Known = false
		err = l.Commit(ctx, EventNoted{Kind: "recovery", Text: "the ledger was restored from the backup " + filepath.Base(backup) +
			"; what was made since is not in it, and parts may lie on the belt"}, BeltMoved{Belt: b})
	}
	if err == nil {
		err = l.foldLog(ctx)
	}
	if err = errors.Join(err, l.Close()); err != nil {
		return err
	}
	// SQLite does not report what fails at closing.
	if _, err := os.Lstat(path + "-wal"); !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("the copy could not be written to its end; %s: %w", remedyFailing, ErrDisk)
	}
	return nil
}

// foldLog checkpoints the whole log into the file.
func (l *Ledger) foldLog(ctx context.Context) error {
	if err := l.acquire(ctx); err != nil {
		return err
	}
	defer l.release()
	var busy, frames, folded int
	if err := l.conn.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &frames, &folded); err != nil {
		return l.classify(err)
	}
	if busy != 0 {
		return ErrLocked
	}
	return nil
}

// usable returns why a file cannot serve as a ledger.
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
	return confirmed(ctx, path, func() (err error) {
		db, err := sql.Open("sqlite", l.opts.sourceName(path, roleProbe))
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, db.Close()) }()
		var n int
		return damage(db.QueryRowContext(ctx, "SELECT count(*) FROM boot").Scan(&n))
	})
}

func sameFile(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}

// sweep removes incomplete copies of a killed restore. The caller holds the lock, so no other
// restore is running.
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
func copyBeside(ctx context.Context, from, path string) (part string, err error) {
	in, size, err := openRegular(from)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	out, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.part")
	if err != nil {
		return "", err
	}
	_, err = io.Copy(out, contextReader{ctx, io.LimitReader(in, size)})
	err = errors.Join(err, out.Chmod(0o640), out.Sync(), out.Close())
	if err != nil {
		return "", errors.Join(err, os.Remove(out.Name()))
	}
	return out.Name(), nil
}
