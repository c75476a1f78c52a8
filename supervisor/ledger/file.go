package ledger

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// takeLock locks the file beside the ledger for this process. The kernel releases the lock when the
// process ends in any way, so a remaining lock file is harmless.
func (l *Ledger) takeLock() error {
	// A link there would have the file it leads to emptied below; a pipe would be waited for.
	f, err := os.OpenFile(l.path+".lock", os.O_RDWR|os.O_CREATE|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0o640)
	if errors.Is(err, unix.ELOOP) {
		return fmt.Errorf("%s.lock is a symbolic link: remove it", l.path)
	}
	if err != nil {
		return fmt.Errorf("cannot make the lock file beside it: %w", err)
	}
	var st unix.Stat_t
	if err := unix.Fstat(int(f.Fd()), &st); err != nil || st.Mode&unix.S_IFMT != unix.S_IFREG || st.Nlink != 1 {
		return errors.Join(fmt.Errorf("%s.lock is not a file of its own, but has another name too or is no regular file: remove it", l.path), err, f.Close())
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		owner := "another process"
		if text, rerr := io.ReadAll(io.LimitReader(f, 32)); rerr == nil {
			if pid, perr := strconv.Atoi(strings.TrimSpace(string(text))); perr == nil {
				owner = fmt.Sprintf("process %d", pid)
			}
		}
		_ = f.Close()
		if !errors.Is(err, unix.EWOULDBLOCK) {
			return fmt.Errorf("cannot lock %s.lock: %w", l.path, err)
		}
		return fmt.Errorf("%s has it open: stop that one first, or name another path: %w", owner, ErrLocked)
	}
	l.lock = f
	// The number only serves the message above, so failing to write it does no harm.
	if f.Truncate(0) == nil {
		_, _ = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	return nil
}

// probe checks the file without changing it: whether it is an intact ledger of this version or an
// older one. No other connection of this Ledger is open.
func (l *Ledger) probe(ctx context.Context) error {
	if err := l.rollBack(ctx); err != nil {
		return err
	}
	return confirmed(ctx, l.path, func() error { return l.inspectFile(ctx) })
}

// rollBack undoes an interrupted creation of a ledger, before it had its write-ahead log: SQLite
// leaves a journal then, which a read-only connection cannot roll back. It does not touch another
// program's file.
func (l *Ledger) rollBack(ctx context.Context) (err error) {
	if _, serr := os.Lstat(l.path + "-journal"); serr != nil {
		return nil
	}
	header, err := readHeader(l.path)
	if err != nil || len(header) < 100 || !isLedgerHeader(header) {
		return err
	}
	if l.opts.ReadOnly {
		return errors.New("its creation was interrupted; start the daemon once, which completes it")
	}
	db, err := sql.Open("sqlite", l.opts.sourceName(l.path, roleMender))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var n int
	return damage(db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&n)) // reading is enough
}

// isLedgerHeader reports whether the first bytes of a file may be those of a ledger: marked as one,
// or not marked yet.
func isLedgerHeader(header []byte) bool {
	mark := binary.BigEndian.Uint32(header[68:])
	return mark == 0 || mark == applicationID
}

func (l *Ledger) inspectFile(ctx context.Context) (err error) {
	header, err := readHeader(l.path)
	if err != nil || len(header) == 0 {
		return err // no file yet, or one that was created and never written
	}
	// Bytes 18 and 19 are versions of the format for writing and reading, 1 or 2; damage there makes it seem read only.
	if len(header) < 100 || max(header[18], header[19]) > 2 || string(header[:16]) != "SQLite format 3\x00" {
		return fmt.Errorf("it does not begin as a ledger does; %s: %w", remedyDamaged, ErrCorrupt)
	}
	db, err := sql.Open("sqlite", l.opts.sourceName(l.path, roleProbe))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	var application, schema int
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&application); err != nil {
		return damage(err)
	}
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&schema); err != nil {
		return damage(err)
	}
	switch {
	case application == 0 && schema == 0:
		var tables int
		if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
			return damage(err)
		}
		if tables == 0 && !l.opts.ReadOnly {
			return nil // a start was cut short before the first schema step
		}
		return fmt.Errorf("it is a database of another kind; name another path: %w", ErrCorrupt)
	case application != applicationID:
		return fmt.Errorf("it is a database of another kind; name another path: %w", ErrCorrupt)
	case schema > len(steps):
		return newer(schema)
	}
	// The schema first: reading the pages evaluates its expressions.
	if err := wholeSchema(ctx, db, schema); err != nil {
		return err
	}
	if err := quickCheck(ctx, db); err != nil {
		return err
	}
	if schema < len(steps) && l.opts.ReadOnly {
		return fmt.Errorf("its schema is number %d and this program reads %d; "+
			"start the daemon once, which brings it up to date", schema, len(steps))
	}
	return nil
}

const remedyDamaged = "move the file aside and put the last backup in its place, or name another path"

// damage wraps an error met while checking a file.
func damage(err error) error {
	if isCorruption(err) {
		return fmt.Errorf("%s; %s: %w", clean(err), remedyDamaged, ErrCorrupt)
	}
	return err
}

func quickCheck(ctx context.Context, db *sql.DB) error {
	found, err := stringsOf(ctx, db, "PRAGMA quick_check(5)")
	if err != nil {
		return damage(err)
	}
	if err := notRead(found); err != nil {
		return err
	}
	if len(found) == 1 && found[0] == "ok" {
		return nil
	}
	return fmt.Errorf("%s; %s: %w", strings.Join(found, "; "), remedyDamaged, ErrCorrupt)
}

func stringsOf(ctx context.Context, q querier, query string) (out []string, err error) {
	err = each(ctx, q, query, nil, func(rows *sql.Rows) error {
		var s string
		err := rows.Scan(&s)
		out = append(out, s)
		return err
	})
	return out, err
}

// readHeader returns up to the first 100 bytes of the file, nothing if there is no file.
func readHeader(path string) ([]byte, error) {
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("cannot read it: %w", err)
	}
	defer func() { _ = f.Close() }()
	buf := make([]byte, 100)
	n, err := io.ReadFull(f, buf)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return nil, err
	}
	return buf[:n], nil
}

// makeDirs makes the directories with their parents synced, so that a power cut does not take the ledger's directory.
func makeDirs(dir string) error {
	if info, err := os.Stat(dir); err == nil {
		if !info.IsDir() {
			return fmt.Errorf("%s is not a directory", dir)
		}
		return nil
	}
	parent := filepath.Dir(dir)
	if err := makeDirs(parent); err != nil {
		return err
	}
	if err := os.Mkdir(dir, 0o750); err != nil && !errors.Is(err, os.ErrExist) {
		return err
	}
	return syncDir(parent)
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	return errors.Join(err, d.Close())
}
