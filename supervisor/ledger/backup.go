package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// Backup writes a complete copy of the ledger to a new file, while commits continue. The copy is
// made beside its final name, checked and synced, and only then renamed: a backup that exists is
// good. It never replaces a file.
func (l *Ledger) Backup(ctx context.Context, to string) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("cannot back up ledger %s to %s: %w", l.path, to, l.classify(err))
		}
	}()
	if to == "" {
		return errors.New("no file is named")
	}
	if _, err := os.Lstat(to); err == nil {
		return errors.New("there is a file of that name already: name another")
	} else if !errors.Is(err, os.ErrNotExist) {
		return err
	}
	dir, name := filepath.Split(to)
	if dir == "" {
		dir = "."
	}
	part, err := os.CreateTemp(dir, "."+name+".*.part") // readable by this user only
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, removeAll(part.Name())) }()
	if err := l.copyTo(ctx, part.Name()); err != nil {
		return errors.Join(err, part.Close())
	}
	if err := errors.Join(part.Sync(), part.Close()); err != nil {
		return err
	}
	if err := lookThrough(ctx, part.Name()); err != nil {
		return fmt.Errorf("the copy is not what was written (%s); %s: %w", clean(err), remedyFailing, ErrDisk)
	}
	// A link, unlike a rename, fails when someone else has taken the name meanwhile.
	if err := os.Link(part.Name(), to); err != nil {
		return err
	}
	return syncDir(dir)
}

// copyTo fills an empty file with a copy of one state of the ledger.
func (l *Ledger) copyTo(ctx context.Context, file string) error {
	conn, done, err := l.reading(ctx)
	if err != nil {
		return err
	}
	defer done()
	_, err = conn.ExecContext(ctx, "VACUUM INTO ?", file)
	return err
}

// removeAll removes a file, if it exists, and SQLite's files beside it. The error names what
// remains.
func removeAll(file string) error {
	var errs []error
	for _, end := range []string{"", "-wal", "-shm", "-journal"} {
		if err := os.Remove(file + end); err != nil && !errors.Is(err, os.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}
