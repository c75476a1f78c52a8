package shelf

import (
	"bytes"
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
	"strings"

	"golang.org/x/sys/unix"
)

// maxSameName is how many files of one name are kept side by side.
const maxSameName = 999

// maxReceiving is how many jobs are received at one time, from all senders together.
const maxReceiving = 4

// chunkBytes is how much is received between two checks of the free space.
const chunkBytes = 1 << 20

// Put receives a file and stores it under the reduced name. A file of that name with
// the same content is used again; beside one with other content it gets a number. On
// an error nothing is left behind: [ErrName], [ErrTooLarge], [ErrFull], [ErrBusy], the error
// of the reader, or that of the disk.
func (s *Shelf) Put(ctx context.Context, name string, r io.Reader) (Item, error) {
	plain, err := Name(name)
	if err != nil {
		return Item{}, err
	}
	select {
	case s.receiving <- struct{}{}:
		defer func() { <-s.receiving }()
	default:
		return Item{}, storeError(plain, ErrBusy)
	}
	i, err := s.put(ctx, plain, r)
	if err != nil {
		return Item{}, storeError(plain, err)
	}
	return i, nil
}

func storeError(name string, err error) error {
	if errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT) {
		err = ErrFull
	}
	return fmt.Errorf("cannot store the job %s: %w", quoted(name), err)
}

func (s *Shelf) put(ctx context.Context, name string, r io.Reader) (i Item, err error) {
	before := tempPrefix + strings.ToLower(rand.Text())
	f, err := s.root.OpenFile(before, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return Item{}, err
	}
	defer func() {
		_ = f.Close()             // a second time where all went well
		_ = s.root.Remove(before) // gone already where all went well
	}()
	hash := sha256.New()
	size, err := s.receive(ctx, io.MultiWriter(f, hash), r)
	if err != nil {
		return Item{}, err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return Item{}, err
	}
	return s.place(ctx, before, name, size, [sha256.Size]byte(hash.Sum(nil)))
}

// receive copies a file and checks its size and the free space meanwhile.
func (s *Shelf) receive(ctx context.Context, w io.Writer, r io.Reader) (size int64, err error) {
	for {
		free, err := s.free()
		if err != nil {
			return size, err
		}
		if free < reserveBytes+chunkBytes {
			return size, ErrFull
		}
		if err := context.Cause(ctx); err != nil {
			return size, err
		}
		n, err := io.CopyN(w, r, min(chunkBytes, s.limit-size+1))
		size += n
		switch {
		case size > s.limit:
			return size, fmt.Errorf("%w: the limit is %d bytes", ErrTooLarge, s.limit)
		case errors.Is(err, io.EOF):
			return size, nil
		case err != nil:
			return size, err
		}
	}
}

// place gives a received file its name, the first that is free or holds the same.
func (s *Shelf) place(ctx context.Context, before, name string, size int64, hash [sha256.Size]byte) (Item, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for n := 1; n <= maxSameName; n++ {
		final := numbered(name, n)
		info, err := s.root.Lstat(final)
		if err == nil {
			same, err := s.same(ctx, final, info, size, hash)
			if err != nil {
				return Item{}, err
			}
			if same {
				return s.recordSum(final, hash)
			}
			continue
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return Item{}, err
		}
		if err := s.rename(before, final); errors.Is(err, fs.ErrExist) {
			continue // another program has made one meanwhile
		} else if err != nil {
			return Item{}, err
		}
		if err := s.sync(); err != nil {
			return Item{}, errors.Join(err, s.root.Remove(final))
		}
		return s.recordSum(final, hash)
	}
	return Item{}, fmt.Errorf("there are already %d files of that name; remove some or choose another", maxSameName)
}

// rename gives a file its final name without ever replacing another file. A hard link does that
// on most file systems; on those without, the caller has checked that the name is free.
func (s *Shelf) rename(before, final string) error {
	err := s.root.Link(before, final)
	if errors.Is(err, unix.EPERM) || errors.Is(err, unix.ENOTSUP) || errors.Is(err, unix.ENOSYS) {
		return s.root.Rename(before, final)
	}
	return err
}

// same compares a stored file with one that was received.
func (s *Shelf) same(ctx context.Context, name string, info fs.FileInfo, size int64, hash [sha256.Size]byte) (bool, error) {
	if !info.Mode().IsRegular() || info.Size() != size {
		return false, nil
	}
	if known := s.sums.of(name, info); known != "" {
		return known == hex.EncodeToString(hash[:]), nil
	}
	f, err := s.root.Open(name)
	if err != nil {
		return false, err
	}
	defer f.Close()
	h := sha256.New()
	for {
		if err := context.Cause(ctx); err != nil {
			return false, err
		}
		if _, err := io.CopyN(h, f, chunkBytes); errors.Is(err, io.EOF) {
			return bytes.Equal(h.Sum(nil), hash[:]), nil
		} else if err != nil {
			return false, err
		}
	}
}

// recordSum keeps the checksum of a stored file. The file is valid without it.
func (s *Shelf) recordSum(name string, hash [sha256.Size]byte) (Item, error) {
	info, err := s.root.Lstat(name)
	if err != nil {
		return Item{}, err
	}
	text := hex.EncodeToString(hash[:])
	s.sums[name] = sum{Bytes: info.Size(), Stored: info.ModTime(), SHA256: text}
	_ = s.sums.write(s.root) // a failure costs only the checksum that is shown after the next start
	return Item{Name: name, Path: filepath.Join(s.dir, name), Bytes: info.Size(), Stored: info.ModTime(), SHA256: text}, nil
}
