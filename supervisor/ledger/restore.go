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
// belt stands, and says so. A ledger that a daemon has open is refused with ErrLocked. When it fails, what was in place is
// there as before; where that could not be brought about, Open refuses until Restore has been through.
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
	if err := usable(ctx, backup); err != nil {
		return "", err
	}
	return replace(ctx, backup, path)
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
		if rerr := errors.Join(removeAll(part), removeAll(part+".lock")); err != nil {
			err = errors.Join(err, rerr) // else the ledger is in place, and what lies beside it hurts nobody
		}
	}()
	if err := usable(ctx, part); err != nil {
		return "", fmt.Errorf("the copy is not what the backup was: %w", err)
	}
	// Before it is in place: a ledger there that believes to know where the belt stands would lay parts on parts.
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

// forgetBelt notes in a restored ledger that it was, and that the belt may stand elsewhere by now.
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
	// What SQLite does not achieve at closing it keeps to itself.
	if _, err := os.Lstat(path + "-wal"); !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("the copy could not be written to its end; %s: %w", remedyFailing, ErrDisk)
	}
	return nil
}

// foldLog brings all of the log into the file.
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
	return confirmed(path, func() (err error) {
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
