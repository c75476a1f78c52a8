package rig

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// openPair opens a pseudo-terminal. The master does not block, so that closing it
// wakes a reader.
func openPair() (master, slave *os.File, err error) {
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, nil, fmt.Errorf("no pseudo-terminal: %w", err)
	}
	master = os.NewFile(uintptr(fd), "/dev/ptmx")
	n, err := unix.IoctlGetUint32(fd, unix.TIOCGPTN)
	if err == nil {
		err = unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0)
	}
	if err == nil {
		slave, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	}
	if err != nil {
		master.Close()
		return nil, nil, fmt.Errorf("no pseudo-terminal: %w", err)
	}
	return master, slave, nil
}

// watchOpens returns an inotify descriptor that reports opens and closes of a file.
func watchOpens(path string) (*os.File, error) {
	fd, err := unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC)
	if err != nil {
		return nil, fmt.Errorf("inotify: %w", err)
	}
	const events = unix.IN_OPEN | unix.IN_CLOSE_WRITE | unix.IN_CLOSE_NOWRITE
	if _, err := unix.InotifyAddWatch(fd, path, events); err != nil {
		unix.Close(fd)
		return nil, fmt.Errorf("inotify: %w", err)
	}
	return os.NewFile(uintptr(fd), "inotify"), nil
}

// placeLink makes path a symbolic link to the device, in place of an older link.
func placeLink(device, path string) error {
	if info, err := os.Lstat(path); err == nil && info.Mode()&os.ModeSymlink == 0 {
		return errors.New("something other than a symbolic link is there; choose another path or remove it")
	}
	next := filepath.Join(filepath.Dir(path), fmt.Sprintf(".%s.%d", filepath.Base(path), os.Getpid()))
	os.Remove(next)
	if err := os.Symlink(device, next); err != nil {
		return err
	}
	if err := os.Rename(next, path); err != nil {
		os.Remove(next)
		return err
	}
	return nil
}

// removeLink removes path if it still leads to the device.
func removeLink(device, path string) {
	if to, err := os.Readlink(path); err == nil && to == device {
		os.Remove(path)
	}
}
