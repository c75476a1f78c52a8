package serialio

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// lockFile keeps other senders of our kind away from a device. The kernel's exclusive flag on a
// port does not stop a process of the superuser; two senders on one board would mix their lines,
// and neither would notice.
type lockFile struct{ f *os.File }

// heldError: another process holds the lock.
type heldError struct{ pid int }

func (e *heldError) Error() string {
	if e.pid <= 0 {
		return "held by another process"
	}
	return fmt.Sprintf("held by process %d", e.pid)
}

// lockDirs returns where lock files may be, best first: a directory that all users share, so that
// senders of different users see each other.
func lockDirs() []string {
	dirs := []string{"/run/lock"}
	if d, _, _ := strings.Cut(os.Getenv("RUNTIME_DIRECTORY"), ":"); d != "" {
		dirs = append(dirs, d)
	}
	return append(dirs, os.TempDir())
}

// lockDevice takes the lock for the device number, which is the same under all names of the device.
// It returns a *heldError if another process has it.
func lockDevice(rdev uint64) (*lockFile, error) {
	name := fmt.Sprintf("beltwarden-tty-%d-%d.lock", unix.Major(rdev), unix.Minor(rdev))
	var errs []error
	for _, dir := range lockDirs() {
		l, err := lockPath(filepath.Join(dir, name))
		var held *heldError
		if err == nil || errors.As(err, &held) {
			return l, err
		}
		errs = append(errs, err)
	}
	return nil, errors.Join(errs...)
}

func lockPath(path string) (*lockFile, error) {
	// A shared directory may refuse to open another user's file for writing, or
	// to create what is there; reading is enough to take the lock.
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|unix.O_NOFOLLOW, 0o644)
	if errors.Is(err, os.ErrPermission) {
		f, err = os.OpenFile(path, os.O_RDONLY|unix.O_NOFOLLOW, 0)
	}
	if err != nil {
		return nil, fmt.Errorf("cannot open lock file: %w", err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		pid := readPID(f)
		f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, &heldError{pid: pid}
		}
		return nil, fmt.Errorf("cannot lock %s: %w", path, err)
	}
	// The number in the file only helps people; the lock itself is the kernel's.
	if f.Truncate(0) == nil {
		_, _ = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	return &lockFile{f: f}, nil
}

func readPID(f *os.File) int {
	b, _ := io.ReadAll(io.NewSectionReader(f, 0, 32))
	pid, err := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil {
		return 0
	}
	return pid
}

// release releases the lock. The file stays: after removing it, a second one of the same name could
// be locked beside it.
func (l *lockFile) release() {
	_ = l.f.Truncate(0)
	_ = l.f.Close()
}
