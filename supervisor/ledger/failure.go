package ledger

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"

	"golang.org/x/sys/unix"
	"modernc.org/sqlite"
)

// SQLite's primary result codes, from the list of result codes in its documentation.
const (
	codeBusy       = 5
	codeReadOnly   = 8
	codeIO         = 10
	codeCorrupt    = 11
	codeFull       = 13
	codeCannotOpen = 14
	codeConstraint = 19
	codeNotADB     = 26
)

// primaryCode returns the low byte of the driver's result code, 0 for any other error.
func primaryCode(err error) int {
	var failed *sqlite.Error
	if errors.As(err, &failed) {
		return failed.Code() & 0xff
	}
	return 0
}

func isCorruption(err error) bool {
	code := primaryCode(err)
	return code == codeCorrupt || code == codeNotADB
}

// classify wraps a driver error in the sentinel that callers test for, and says what to do.
func (l *Ledger) classify(err error) error {
	wrap := func(sentinel error, advice string) error {
		return fmt.Errorf("%s; %s: %w", clean(err), advice, sentinel)
	}
	switch primaryCode(err) {
	case codeConstraint:
		return fmt.Errorf("%s: %w", clean(err), ErrIllegal)
	case codeFull:
		return wrap(ErrFull, "make room on the disk")
	case codeCorrupt, codeNotADB:
		if rerr := l.unreadable(err); rerr != nil {
			return rerr
		}
		return wrap(ErrCorrupt, remedyDamaged)
	case codeBusy:
		return wrap(ErrLocked, "another program is writing the file: stop it")
	case codeReadOnly:
		return wrap(ErrDisk, "the file or its disk cannot be written: check its permissions and how the disk is mounted")
	case codeIO, codeCannotOpen:
		if why := noSpace(l.path); why != "" {
			return wrap(ErrFull, why)
		}
		if primaryCode(err) == codeCannotOpen {
			return wrap(ErrDisk, "give the daemon's user the right to write in its directory; where it has that, "+remedyFailing)
		}
		return wrap(ErrDisk, remedyFailing)
	}
	if errors.Is(err, ErrFull) || errors.Is(err, ErrDisk) {
		return err
	}
	is := func(list ...error) bool {
		return slices.ContainsFunc(list, func(e error) bool { return errors.Is(err, e) })
	}
	switch {
	case is(unix.ENOSPC, unix.EDQUOT, unix.EFBIG):
		return fmt.Errorf("%w; make room on the disk: %w", err, ErrFull)
	case is(unix.EROFS):
		return fmt.Errorf("%w; check its permissions and how the disk is mounted: %w", err, ErrDisk)
	case is(unix.EACCES, unix.EPERM):
		return fmt.Errorf("%w; give the daemon's user the right to read and write there, or name another path: %w", err, ErrDisk)
	case is(unix.EIO, unix.ENXIO, unix.ENODEV, unix.ESTALE, unix.ETIMEDOUT):
		return fmt.Errorf("%w; %s: %w", err, remedyFailing, ErrDisk)
	}
	return err
}

const remedyFailing = "look at the system log and replace the disk or card if it is failing"

// The driver surrounds SQLite's own words with a class and a code; "constraint failed: the hold has ended (1811)".
var (
	wordsBefore = regexp.MustCompile(`(constraint failed|SQL logic error): `)
	codeAfter   = regexp.MustCompile(` \(\d+\)$`)
)

// clean strips the driver's wrapping from a message.
func clean(err error) string {
	return codeAfter.ReplaceAllString(wordsBefore.ReplaceAllString(err.Error(), ""), "")
}

// lowSpaceBytes is the free space in bytes below which a failed write is attributed to lack of
// space: a write-ahead log grows by a few pages of 4 KiB at a time.
const lowSpaceBytes = 64 << 10

// noSpace finds the cause of a write that SQLite reports as failed without a reason: a full disk
// while it maps the log's index, or the process's limit on file size. It returns what to do, "" if
// there is space.
func noSpace(path string) string {
	var disk unix.Statfs_t
	if unix.Statfs(filepath.Dir(path), &disk) == nil && disk.Bavail*uint64(disk.Bsize) < lowSpaceBytes {
		return "make room on the disk"
	}
	var limit unix.Rlimit
	if unix.Getrlimit(unix.RLIMIT_FSIZE, &limit) != nil || limit.Cur == unix.RLIM_INFINITY {
		return ""
	}
	for _, end := range []string{"", "-wal", "-shm"} {
		info, err := os.Stat(path + end)
		if err == nil && uint64(info.Size())+lowSpaceBytes > uint64(limit.Cur) {
			return fmt.Sprintf("a file may grow to %d bytes in this process: raise its file size limit", limit.Cur)
		}
	}
	return ""
}
