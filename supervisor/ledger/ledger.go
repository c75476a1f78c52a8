// Package ledger stores lots, cycles, counts, checks, holds and the belt in one SQLite file. It is
// the only importer of the database driver. A Commit that has returned nil survives a power cut; a
// Commit that has not returned was stored completely or not at all.
package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"sync"
	"sync/atomic"
	"time"
)

// Options choose how a ledger is opened. The zero value opens a file for writing.
type Options struct {
	// ReadOnly opens an existing file for Check, Backup, Export and the reading methods, beside a daemon that writes it.
	// No lock is taken, no start is recorded and the schema is not brought up to date.
	ReadOnly bool
	// Memory keeps the ledger in memory until Close. The path only names it in errors.
	Memory bool
	// DSN replaces the name given to the database driver, for another file system. No lock is taken and the file is not
	// looked at beforehand; the path only names it in errors.
	DSN string

	// Now returns the time, with its monotonic part; nil is time.Now. Tests set the clock with it.
	Now func() time.Time

	schema int // the number of schema steps to take, 0 for all; tests make old ledgers with it
}

// Ledger is an open ledger. Its methods may be called from any goroutine; commits take their turn.
type Ledger struct {
	path  string
	opts  Options
	start time.Time // of this Ledger; monotonic time counts from here
	boot  int64     // number of this start in the ledger
	// before is the newest row that an earlier start wrote; Seq 0 when there is none.
	before Stamp

	// writeTurn holds one token for the goroutine that uses the writing connection. Waiting on a channel, unlike on a mutex,
	// lets virtual time pass in tests. Close takes the token for good.
	writeTurn chan struct{}
	writer    *sql.DB
	conn      *sql.Conn            // the writing connection, nil when reading only
	cached    map[string]*sql.Stmt // prepared on conn, owned by the holder of writeTurn
	broken    error                // set when the disk failed, owned by the holder of writeTurn

	// changes counts the commits of this Ledger, except for belt movement alone: a reader that has
	// read at the same number has read the same. It is incremented after the commit, so that a
	// reader in between only reads once more.
	changes atomic.Int64
	queue   atomic.Pointer[queued]
	settled sync.Map // by receiver: the number of changes at which it had nothing left to deliver

	readers *sql.DB   // nil for a ledger in memory, where reading takes its turn too
	lock    *os.File  // nil when no lock was taken
	witness sync.Once // opens witnesses
	// witnesses are the ledger's files, opened to test whether they can be read; see unreadable.
	witnesses []*os.File
	closed    chan struct{} // closed by Close
	closing   sync.Once
	ended     error // what Close returned
}

// Commit stores the records in one transaction: all of them, in order, or none. It returns when
// they are on the disk, after one sync. Errors wrap ErrInvalid, ErrIllegal or ErrTooMany if a
// record is refused, ErrFull or ErrDisk if the disk fails, and ErrClosed or ErrReadOnly. After
// ErrDisk the ledger accepts nothing until it is opened again, since the system may have dropped
// unwritten data. The context bounds the wait for other commits, not the writing.
func (l *Ledger) Commit(ctx context.Context, records ...Record) error {
	if l.opts.ReadOnly {
		return fmt.Errorf("cannot commit to ledger %s: %w", l.path, ErrReadOnly)
	}
	if err := faultsOf(records); err != nil {
		return fmt.Errorf("cannot commit to ledger %s: %w", l.path, err)
	}
	if len(records) == 0 {
		return nil
	}
	err := l.write(ctx, func(t *txn) error {
		for i, r := range records {
			if err := t.record(r); err != nil {
				return fmt.Errorf("%s (record %d of %d): %w", r.kind(), i+1, len(records), err)
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("cannot commit to ledger %s: %w", l.path, err)
	}
	return nil
}

// faultsOf joins the faults of all records, so that the caller sees every one at once.
func faultsOf(records []Record) error {
	var all []error
	for i, r := range records {
		if r == nil {
			all = append(all, fmt.Errorf("record %d of %d is nil: %w", i+1, len(records), ErrInvalid))
			continue
		}
		for _, f := range r.faults() {
			all = append(all, fmt.Errorf("%s (record %d of %d): %s: %w", r.kind(), i+1, len(records), f, ErrInvalid))
		}
	}
	return errors.Join(all...)
}

// acquire takes the turn, or returns why that is impossible.
func (l *Ledger) acquire(ctx context.Context) error {
	if l.isClosed() {
		return ErrClosed
	}
	select {
	case l.writeTurn <- struct{}{}:
		return nil
	case <-l.closed:
		return ErrClosed
	case <-ctx.Done():
		return fmt.Errorf("waiting for an earlier commit: %w", ctx.Err())
	}
}

func (l *Ledger) isClosed() bool {
	select {
	case <-l.closed:
		return true
	default:
		return false
	}
}

func (l *Ledger) release() { <-l.writeTurn }

// write runs do in one transaction on the writing connection. Once begun it is not cancelled: the
// caller would not know what is on the disk.
func (l *Ledger) write(ctx context.Context, do func(*txn) error) (err error) {
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := l.acquire(ctx); err != nil {
		return err
	}
	defer l.release()
	return l.transact(ctx, do)
}

// transact is write for the holder of the turn.
func (l *Ledger) transact(ctx context.Context, do func(*txn) error) (err error) {
	if l.broken != nil {
		return fmt.Errorf("an earlier commit failed, restart to read again what is on the disk: %w", l.broken)
	}
	t := newTxn(context.WithoutCancel(ctx), l)
	defer func() {
		if err == nil {
			return
		}
		// Some errors have ended the transaction already; then there is nothing to roll back.
		_ = t.exec("ROLLBACK")
		if err = l.classify(err); errors.Is(err, ErrDisk) || errors.Is(err, ErrCorrupt) {
			l.broken = err
		}
	}()
	if err := t.exec("BEGIN IMMEDIATE"); err != nil {
		return err
	}
	if err := do(t); err != nil {
		return err
	}
	err = t.exec("COMMIT")
	if err != nil || t.moves == 0 || t.others > 0 { // after an error it is unknown what was stored
		l.changes.Add(1)
	}
	return err
}

// Close waits for the commit in progress, closes the file and releases the lock. Later calls return
// the same error.
func (l *Ledger) Close() error {
	l.closing.Do(func() {
		l.writeTurn <- struct{}{} // never given back
		close(l.closed)
		l.ended = l.closeAll()
	})
	return l.ended
}

// closeAll closes whatever is open, also after an Open that failed half way.
func (l *Ledger) closeAll() error {
	var errs []error
	for _, s := range l.cached {
		errs = append(errs, s.Close())
	}
	if l.readers != nil {
		errs = append(errs, l.readers.Close())
	}
	if l.conn != nil {
		errs = append(errs, l.conn.Close())
	}
	if l.writer != nil {
		errs = append(errs, l.writer.Close())
	}
	for _, f := range l.witnesses {
		errs = append(errs, f.Close())
	}
	if l.lock != nil {
		// The lock file stays: removing it would let two processes lock two files of one name.
		errs = append(errs, l.lock.Close())
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("cannot close ledger %s: %w", l.path, err)
	}
	return nil
}
