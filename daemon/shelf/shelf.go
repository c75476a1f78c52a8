// Package shelf keeps the job files that were handed to the daemon: one folder of
// plain files. A file that is there is never written over, since lots refer to it;
// what could not be stored whole leaves nothing behind.
package shelf

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"beltwarden/daemon/disk"
)

// Item is one stored job file.
type Item struct {
	Name   string    `json:"name"`
	Path   string    `json:"path"` // absolute, of the computer the daemon runs on
	Bytes  int64     `json:"bytes"`
	Stored time.Time `json:"stored"`
	// SHA256 is empty for a file that was put into the folder by other means.
	SHA256 string `json:"sha256,omitempty"`
}

// What a caller can distinguish.
var (
	ErrTooLarge = errors.New("the file is larger than may be stored")
	ErrFull     = errors.New("the disk has no room for it")
	ErrNotFound = errors.New("there is no stored job of that name")
	ErrBusy     = fmt.Errorf("%d jobs are being received already", maxReceiving)
	ErrHeld     = errors.New("a lot is being opened, perhaps of this job")
)

// reserveBytes stay free on the disk, since the ledger may be on the same one and
// a lot ends when its records cannot be kept.
const reserveBytes = 128 << 20

// tempPrefix begins the names of files that are still being received.
const tempPrefix = ".receiving-"

// Shelf is a folder of job files. Its methods may be used from any goroutine.
type Shelf struct {
	dir   string
	limit int64
	root  *os.Root
	free  func() (int64, error) // bytes free on the disk

	receiving chan struct{} // holds a token for each job that is being received

	held sync.RWMutex // read-locked while a lot is opened, so that none of its jobs is removed

	mu     sync.Mutex // guards names, sums and chosen
	sums   sums
	chosen map[string]bool // by name: its path was requested since the last Tidy
}

// Open makes the folder if need be, and removes what an ended process had received in part. One
// file may have limitBytes. Call Close when done.
func Open(dir string, limitBytes int64) (*Shelf, error) {
	fail := func(err error) (*Shelf, error) { return nil, fmt.Errorf("cannot use the folder for jobs: %w", err) }
	dir, err := filepath.Abs(dir)
	if err != nil {
		return fail(err)
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return fail(err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return fail(err)
	}
	s := &Shelf{dir: dir, limit: limitBytes, root: root, chosen: map[string]bool{}, receiving: make(chan struct{}, maxReceiving)}
	s.free = func() (int64, error) { return disk.Free(dir) }
	entries, err := fs.ReadDir(root.FS(), ".")
	if err != nil {
		return fail(errors.Join(err, root.Close()))
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), tempPrefix) && e.Type().IsRegular() {
			_ = root.Remove(e.Name()) // it is tried again at the next start
		}
	}
	s.sums = readSums(root)
	return s, nil
}

// Close closes the folder.
func (s *Shelf) Close() error { return s.root.Close() }

// Dir returns the folder's absolute path.
func (s *Shelf) Dir() string { return s.dir }

// Hold prevents the removal of jobs until release is called. A lot holds them from before its jobs
// are read until it is in the ledger.
func (s *Shelf) Hold() (release func()) {
	s.held.RLock()
	return s.held.RUnlock
}

// LimitBytes returns how large one file may be.
func (s *Shelf) LimitBytes() int64 { return s.limit }

// List returns what is stored, the newest first.
func (s *Shelf) List() ([]Item, error) {
	entries, err := fs.ReadDir(s.root.FS(), ".")
	if err != nil {
		return nil, fmt.Errorf("cannot list the stored jobs: %w", err)
	}
	list := make([]Item, 0, len(entries))
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range entries {
		if i, err := s.item(e.Name()); err == nil { // not if it was removed meanwhile
			list = append(list, i)
		}
	}
	slices.SortFunc(list, func(a, b Item) int {
		if c := b.Stored.Compare(a.Stored); c != 0 {
			return c
		}
		return strings.Compare(a.Name, b.Name)
	})
	return list, nil
}

// Get returns one stored file. The name must be one of the list, as it stands
// there; anything else is [ErrNotFound].
func (s *Shelf) Get(name string) (Item, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	i, err := s.item(name)
	if err != nil {
		return Item{}, fmt.Errorf("cannot find the stored job %s: %w", quoted(name), err)
	}
	s.chosen[i.Name] = true
	return i, nil
}

// Path returns the absolute path of a stored file, see [Shelf.Get].
func (s *Shelf) Path(name string) (string, error) {
	i, err := s.Get(name)
	return i.Path, err
}

// item returns one file of the folder. A name that Name would change is not found, and neither is a
// link or a folder.
func (s *Shelf) item(name string) (Item, error) {
	if plain, err := Name(name); err != nil || plain != name {
		return Item{}, ErrNotFound
	}
	info, err := s.root.Lstat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist), err == nil && !info.Mode().IsRegular():
		return Item{}, ErrNotFound
	case err != nil:
		return Item{}, err
	}
	return Item{Name: name, Path: filepath.Join(s.dir, name), Bytes: info.Size(), Stored: info.ModTime(), SHA256: s.sums.of(name, info)}, nil
}

// Remove removes a stored file unless guard returns an error. The guard gets the file's path and
// says why it must stay.
func (s *Shelf) Remove(ctx context.Context, name string, guard func(ctx context.Context, path string) error) error {
	if !s.held.TryLock() {
		return fmt.Errorf("cannot remove the stored job %s: %w", quoted(name), ErrHeld)
	}
	defer s.held.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	i, err := s.item(name)
	if err != nil {
		return fmt.Errorf("cannot find the stored job %s: %w", quoted(name), err)
	}
	if guard != nil {
		if err := guard(ctx, i.Path); err != nil {
			return err
		}
	}
	if err := s.root.Remove(name); err != nil {
		return fmt.Errorf("cannot remove the stored job %s: %w", quoted(name), err)
	}
	delete(s.sums, name)
	return errors.Join(s.sums.write(s.root), s.sync())
}

// sync makes the folder's list of names durable.
func (s *Shelf) sync() error {
	d, err := s.root.Open(".")
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
