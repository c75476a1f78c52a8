// Package archive keeps the jobs that lots are made of: private copies, named by their
// SHA-256 digest, so that what becomes of a job's own file changes no lot. A lot that is
// not finished finds its job after a restart, and one that is can be made again.
package archive

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"beltwarden/daemon/disk"
	"beltwarden/daemon/shelf"
)

// ErrFull: there is no room for a copy, on the disk or within the limit.
var ErrFull = errors.New("there is no room to keep the job")

const (
	// reserveBytes stay free on the disk, since the ledger may be on the same one.
	reserveBytes = 128 << 20
	chunkBytes   = 1 << 20
	tempPrefix   = ".copying-" // begins the names of incomplete copies
	suffix       = ".gcode"
	// openLimit is how long a lot may take from its copy to its record in the ledger.
	openLimit = time.Hour
)

// Use is how lots use a job.
type Use = shelf.Use

// Options are what an archive is made of.
type Options struct {
	Folder     string // is made when it is needed
	LimitBytes int64  // that all copies together may have; 0 for no limit
	// Uses returns how lots use jobs, by digest.
	Uses func(ctx context.Context) (map[string]Use, error)
}

// Archive is a folder of copies. Its methods may be used from any goroutine.
type Archive struct {
	o    Options
	free func(dir string) (int64, error)

	mu    sync.Mutex
	taken map[string]time.Time // by digest: when it was taken last, by this process
}

// New returns an archive.
func New(o Options) *Archive {
	return &Archive{o: o, free: disk.Free, taken: map[string]time.Time{}}
}

// Find returns the path of the copy with that digest, if there is one.
func (a *Archive) Find(digest string) (file string, ok bool) {
	if len(digest) != 64 || strings.Trim(digest, "0123456789abcdef") != "" {
		return "", false
	}
	file = filepath.Join(a.o.Folder, digest+suffix)
	info, err := os.Lstat(file)
	return file, err == nil && info.Mode().IsRegular()
}

// Reserve is [Archive.Find] for a lot that is about to be opened: until it is in the ledger
// the copy is not removed.
func (a *Archive) Reserve(digest string) (file string, ok bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if file, ok = a.Find(digest); ok {
		a.taken[digest] = time.Now()
	}
	return file, ok
}

// Take keeps what copy writes and returns its path. copy returns the digest of what it wrote. A
// copy that exists is used again if it still has that digest. On an error nothing new is left
// behind; it is [ErrFull], that of copy, or that of the disk.
func (a *Archive) Take(ctx context.Context, size int64, copy func(w io.Writer) (digest string, err error)) (file string, err error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	defer func() {
		if errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT) {
			err = fmt.Errorf("%w: %w", ErrFull, err)
		}
	}()
	if err := os.MkdirAll(a.o.Folder, 0o700); err != nil {
		return "", err
	}
	if err := a.makeRoom(ctx, size); err != nil {
		return "", err
	}
	temp := filepath.Join(a.o.Folder, tempPrefix+strings.ToLower(rand.Text()))
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o400)
	if err != nil {
		return "", err
	}
	defer func() {
		_ = f.Close()       // a second time where all went well
		_ = os.Remove(temp) // gone already where all went well
	}()
	digest, err := copy(&boundedWriter{Writer: f, left: size, look: func() error { return a.checkRoom(0) }})
	if err != nil {
		return "", err
	}
	a.taken[digest] = time.Now()
	file, there := a.Find(digest)
	if there && digestOf(file) == digest { // not replaced, since a lot may run from it
		return file, nil
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return "", err
	}
	if err := os.Rename(temp, file); err != nil {
		return "", err
	}
	d, err := os.Open(a.o.Folder)
	if err != nil {
		return "", err
	}
	return file, errors.Join(d.Sync(), d.Close())
}

// digestOf returns the digest of a copy; "" if it cannot be read.
func digestOf(file string) string {
	f, err := os.Open(file)
	if err != nil {
		return ""
	}
	defer f.Close()
	hash := sha256.New()
	if _, err := io.Copy(hash, f); err != nil {
		return ""
	}
	return hex.EncodeToString(hash.Sum(nil))
}

// boundedWriter writes no more than was announced, and checks the free space meanwhile.
type boundedWriter struct {
	io.Writer
	left, since int64
	look        func() error
}

func (b *boundedWriter) Write(p []byte) (int, error) {
	if b.left -= int64(len(p)); b.left < 0 {
		return 0, errors.New("the job grows while it is copied; wait until it is written, and try again")
	}
	if b.since += int64(len(p)); b.since >= chunkBytes {
		b.since = 0
		if err := b.look(); err != nil {
			return 0, err
		}
	}
	return b.Writer.Write(p)
}

func (a *Archive) checkRoom(size int64) error {
	free, err := a.free(a.o.Folder)
	if err != nil {
		return err
	}
	if free < size+reserveBytes {
		return fmt.Errorf("%w: %d bytes are needed, the disk has %d, of which %d stay free", ErrFull, size, free, int64(reserveBytes))
	}
	return nil
}

// storedCopy is one copy in the folder.
type storedCopy struct {
	digest string
	bytes  int64
	use    Use
}

// makeRoom removes copies until there is room for another: those of the oldest lots first, and none
// of a lot that is unfinished or being opened.
func (a *Archive) makeRoom(ctx context.Context, size int64) error {
	list, total, err := a.list(ctx)
	if err != nil {
		return err
	}
	spare := int64(0) // bytes that can be removed
	for _, c := range list {
		spare += c.bytes
	}
	over := func(may int64) error {
		if limit := a.o.LimitBytes; limit > 0 && total-may+size > limit {
			return fmt.Errorf("%w: it has %d bytes, and %d of the %d allowed are used by lots that may go on; raise server.jobs_limit_mb, or end such lots",
				ErrFull, size, total-may, limit)
		}
		return a.checkRoom(size - may)
	}
	if err := over(spare); err != nil {
		return err // before anything is removed in vain
	}
	for _, oldest := range list {
		if over(0) == nil {
			break
		}
		if err := os.Remove(filepath.Join(a.o.Folder, oldest.digest+suffix)); err != nil {
			return err
		}
		total -= oldest.bytes
	}
	return over(0)
}

// list returns the copies that may be removed, those of the oldest lots first, and how large all
// copies are. It removes incomplete copies of an ended process.
func (a *Archive) list(ctx context.Context) (may []storedCopy, total int64, err error) {
	entries, err := os.ReadDir(a.o.Folder)
	if err != nil {
		return nil, 0, err
	}
	uses, err := a.o.Uses(ctx)
	if err != nil {
		return nil, 0, err
	}
	for _, e := range entries {
		digest, ours := strings.CutSuffix(e.Name(), suffix)
		if strings.HasPrefix(e.Name(), tempPrefix) {
			_ = os.Remove(filepath.Join(a.o.Folder, e.Name())) // tried again at the next call
			continue
		}
		if _, ok := a.Find(digest); !ours || !ok {
			continue // not ours, so not to be removed
		}
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue
		} else if err != nil {
			return nil, 0, err
		}
		total += info.Size()
		if at, ok := a.taken[digest]; ok && time.Since(at) < openLimit || uses[digest].Needed {
			continue
		}
		may = append(may, storedCopy{digest, info.Size(), uses[digest]})
	}
	slices.SortFunc(may, func(x, y storedCopy) int {
		return cmp.Or(cmp.Compare(x.use.Lot, y.use.Lot), strings.Compare(x.digest, y.digest))
	})
	return may, total, nil
}
