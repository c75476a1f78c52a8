package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
)

// SQLite reports a page that the disk fails to read as a damaged file. Putting a backup in its
// place then loses what was made since, where a restart would have sufficed. So no ledger is called
// damaged before all of it was read.

// readThrough reads a file and its log to their ends, and returns the disk's error. No connection
// to the file may be open in this process: closing a descriptor releases the locks of all.
func readThrough(ctx context.Context, path string) error {
	for _, name := range []string{path, path + "-wal"} {
		f, err := os.Open(name)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err == nil {
			_, err = io.Copy(io.Discard, contextReader{ctx, f})
			err = errors.Join(err, f.Close())
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// confirmed runs look, and reports damage only if the whole file could be read and it is found
// damaged again.
func confirmed(ctx context.Context, path string, look func() error) error {
	err := look()
	if !errors.Is(err, ErrCorrupt) {
		return err
	}
	if rerr := readThrough(ctx, path); rerr != nil {
		return rerr
	}
	if again := look(); !errors.Is(again, ErrCorrupt) {
		return passing(err)
	}
	return err
}

// passing describes a failure that did not recur.
func passing(err error) error {
	return fmt.Errorf("reading it failed (%s), and then did not: try again; if it comes back, %s: %w",
		strings.TrimSuffix(clean(err), ": "+ErrCorrupt.Error()), remedyFailing, ErrDisk)
}

// unreadable returns the disk's failure behind what SQLite calls damage while the ledger is open,
// nil if it is real damage.
func (l *Ledger) unreadable(verdict error) error {
	if !l.opts.onFile() || l.writer == nil && l.readers == nil {
		return nil
	}
	l.witness.Do(func() {
		for _, end := range []string{"", "-wal"} {
			if f, err := os.Open(l.path + end); err == nil {
				l.witnesses = append(l.witnesses, f) // closed after the connections, whose locks would go with them
			}
		}
	})
	for _, f := range l.witnesses {
		if _, err := io.Copy(io.Discard, io.NewSectionReader(f, 0, math.MaxInt64)); err != nil {
			return l.classify(err)
		}
	}
	if lookThrough(context.Background(), l.path) == nil {
		return passing(verdict)
	}
	return nil
}

// lookThrough reads every page of a file with SQLite.
func lookThrough(ctx context.Context, file string) (err error) {
	db, err := sql.Open("sqlite", Options{}.sourceName(file, roleProbe))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	return quickCheck(ctx, db)
}

// The checks of SQLite list pages that they could not get, with the code of the failure.
var pageNotRead = regexp.MustCompile(`error code=(\d+)`)

// notRead returns the disk's failure among the findings of a check.
func notRead(found []string) error {
	for _, line := range found {
		for _, m := range pageNotRead.FindAllStringSubmatch(line, -1) {
			if code, err := strconv.Atoi(m[1]); err == nil && code&0xff == codeIO {
				return fmt.Errorf("a page of it cannot be read; %s: %w", remedyFailing, ErrDisk)
			}
		}
	}
	return nil
}
