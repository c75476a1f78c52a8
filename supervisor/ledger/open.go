package ledger

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	_ "modernc.org/sqlite" // registers the driver
)

// Open opens the ledger at path, creates the file and its directories if they do not exist, and
// records this start of the process. Errors wrap ErrLocked, ErrNewer, ErrCorrupt, ErrFull or
// ErrDisk; the first three leave the file unchanged.
func Open(path string, o Options) (*Ledger, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	l := &Ledger{path: path, opts: o, start: o.Now(), writeTurn: make(chan struct{}, 1), closed: make(chan struct{}),
		cached: map[string]*sql.Stmt{}}
	if err := l.open(context.Background()); err != nil {
		err = fmt.Errorf("cannot open ledger %s: %w", path, l.classify(err))
		// Errors of closing would only hide the cause.
		_ = l.closeAll()
		return nil, err
	}
	return l, nil
}

func (l *Ledger) open(ctx context.Context) error {
	if l.path == "" {
		return errors.New("no path is given: name the file in the configuration")
	}
	if l.opts.ReadOnly && l.opts.Memory {
		return errors.New("a ledger in memory begins empty and cannot be read only")
	}
	if l.opts.onFile() {
		full, err := filepath.Abs(l.path)
		if err != nil {
			return err
		}
		l.path = full
		if err := l.prepareFile(ctx); err != nil {
			return err
		}
	}
	if l.opts.ReadOnly {
		return l.openReaders(ctx)
	}
	syncDataOnly()
	if err := l.openWriter(ctx); err != nil {
		return err
	}
	if !l.opts.onFile() {
		return nil
	}
	// SQLite syncs what it writes, but not the name of a new file in its directory.
	if err := syncDir(filepath.Dir(l.path)); err != nil {
		return err
	}
	return l.openReaders(ctx)
}

// prepareFile takes the lock, and refuses a file that must not be written before anything can
// change it.
func (l *Ledger) prepareFile(ctx context.Context) error {
	if err := unfinished(l.path); err != nil {
		return err
	}
	info, err := os.Stat(l.path)
	switch {
	case err == nil && info.IsDir():
		return errors.New("it is a directory: name a file in it")
	case err == nil && !info.Mode().IsRegular():
		return fmt.Errorf("it is not a regular file (%s): name another path", info.Mode().Type())
	case err != nil && !errors.Is(err, os.ErrNotExist):
		return err
	case err != nil && l.opts.ReadOnly:
		return fmt.Errorf("there is none: %w", ErrNotFound)
	}
	if l.opts.ReadOnly {
		return l.probe(ctx)
	}
	if err := makeDirs(filepath.Dir(l.path)); err != nil {
		return fmt.Errorf("cannot make its directory: %w", err)
	}
	if err := l.takeLock(); err != nil {
		return err
	}
	if err := l.probe(ctx); err != nil {
		return err
	}
	// Created here and not by SQLite, so that only the daemon's group can read it.
	f, err := os.OpenFile(l.path, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return fmt.Errorf("cannot write it: %w", err)
	}
	return f.Close()
}

func (l *Ledger) openWriter(ctx context.Context) error {
	db, err := sql.Open("sqlite", l.opts.sourceName(l.path, roleWriter))
	if err != nil {
		return err
	}
	l.writer = db
	db.SetMaxOpenConns(1)
	if l.conn, err = db.Conn(ctx); err != nil {
		return err
	}
	if l.opts.onFile() {
		if err := durable(ctx, l.conn); err != nil {
			return err
		}
	}
	want := len(steps)
	if l.opts.schema > 0 {
		want = l.opts.schema
	}
	if err := migrate(ctx, l.conn, want); err != nil {
		return err
	}
	if err := l.readNewestStamp(ctx); err != nil {
		return err
	}
	startID, err := randomID()
	if err != nil {
		return err
	}
	bootID := kernelBootID()
	if bootID == "" {
		bootID = startID
	}
	return l.write(ctx, func(t *txn) error {
		res, err := t.result("INSERT INTO boot (boot_id, start_id, wall_ms) VALUES (?, ?, ?)", bootID, startID, t.wallMS)
		if err != nil {
			return err
		}
		l.boot, err = res.LastInsertId()
		return err
	})
}

// readNewestStamp reads the stamp of the newest row that was written before this start.
func (l *Ledger) readNewestStamp(ctx context.Context) error {
	var at stampRow
	err := l.conn.QueryRowContext(ctx, "SELECT "+stampColumns("e")+" FROM entry e ORDER BY e.seq DESC LIMIT 1").Scan(at.into()...)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	l.before = at.stamp()
	return nil
}

// durable checks that the requested modes were granted: some network file systems have no
// write-ahead log.
func durable(ctx context.Context, c *sql.Conn) error {
	var mode string
	var sync int
	if err := c.QueryRowContext(ctx, "PRAGMA journal_mode").Scan(&mode); err != nil {
		return err
	}
	if err := c.QueryRowContext(ctx, "PRAGMA synchronous").Scan(&sync); err != nil {
		return err
	}
	if mode != "wal" || sync != 2 {
		return fmt.Errorf("its file system does not allow a write-ahead log synced at every commit "+
			"(journal mode %s, synchronous %d): name a path on a local disk: %w", mode, sync, ErrDisk)
	}
	return nil
}

func (l *Ledger) openReaders(ctx context.Context) error {
	db, err := sql.Open("sqlite", l.opts.sourceName(l.path, roleReader))
	if err != nil {
		return err
	}
	l.readers = db
	db.SetMaxOpenConns(4)
	db.SetMaxIdleConns(4) // one opened later reads the whole description of the file again
	return db.PingContext(ctx)
}

// kernelBootID returns the identifier that the kernel draws at each boot, "" if there is none.
func kernelBootID() string {
	text, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(text))
}

func randomID() (string, error) {
	var b [16]byte
	if _, err := rand.Read(b[:]); err != nil {
		return "", fmt.Errorf("cannot make a random identifier: %w", err)
	}
	return hex.EncodeToString(b[:]), nil
}
