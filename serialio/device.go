package serialio

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"go.bug.st/serial"
	"go.bug.st/serial/enumerator"
	"golang.org/x/sys/unix"
)

const (
	// readTimeout makes Read return now and then, so that its caller can see
	// that the connection is over.
	readTimeout = 100 * time.Millisecond
	// MinBaudRate and MaxBaudRate bound Settings.BaudRate, in bit/s.
	MinBaudRate = 115200
	MaxBaudRate = 1000000
	// maxDescriptor is the first file descriptor that the library cannot wait on.
	maxDescriptor = 1024
)

// device is a port of the kernel. The library's port must not be written to after it was closed
// (its descriptor may be another file by then), nor closed during a write; the token busy keeps the
// two apart.
type device struct {
	port    serial.Port
	lock    *lockFile
	path    string
	closing atomic.Bool
	busy    chan struct{} // one token, held by Write while it writes, by Close for ever
}

// OpenDevice opens a serial port of this machine and takes our lock on it. Every
// failure is an *OpenError. Opening commonly resets the board.
func OpenDevice(ctx context.Context, s Settings) (Port, error) {
	if err := ctx.Err(); err != nil {
		return nil, &OpenError{Path: s.Path, Reason: OpenOther, Hint: "Try again.", Err: err}
	}
	if s.BaudRate < MinBaudRate || s.BaudRate > MaxBaudRate {
		return nil, openError(s, OpenBadSpeed, fmt.Errorf("%d bit/s is not within %d to %d", s.BaudRate, MinBaudRate, MaxBaudRate))
	}
	info, err := os.Stat(s.Path) // follows the stable names to the device
	if err != nil {
		return nil, openError(s, reasonOf(err), err)
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok || info.Mode()&fs.ModeCharDevice == 0 {
		return nil, openError(s, OpenNotTerminal, nil)
	}
	lock, err := lockDevice(uint64(stat.Rdev))
	if err != nil {
		var held *heldError
		if errors.As(err, &held) {
			return nil, openError(s, OpenBusy, err)
		}
		return nil, openError(s, OpenOther, err)
	}
	port, err := openPort(s)
	if err != nil {
		lock.release()
		return nil, openError(s, reasonOf(err), err)
	}
	return &device{port: port, lock: lock, path: s.Path, busy: make(chan struct{}, 1)}, nil
}

func openPort(s Settings) (serial.Port, error) {
	if err := descriptorsLow(); err != nil {
		return nil, err
	}
	// InitialStatusBits stays nil: setting them would only shorten the pulse on
	// the modem lines, and fails on ports that have none.
	port, err := serial.Open(s.Path, &serial.Mode{BaudRate: s.BaudRate, DataBits: 8,
		Parity: serial.NoParity, StopBits: serial.OneStopBit})
	if err != nil {
		return nil, err
	}
	if err := port.SetReadTimeout(readTimeout); err != nil {
		_ = port.Close()
		return nil, err
	}
	return port, nil
}

// descriptorsLow returns an error if the three descriptors of a port would exceed what the library
// can wait on: it would panic in Read.
func descriptorsLow() error {
	var fds []int
	defer func() {
		for _, fd := range fds {
			_ = unix.Close(fd)
		}
	}()
	for range 3 {
		fd, err := unix.Open(os.DevNull, unix.O_RDONLY|unix.O_CLOEXEC, 0)
		if err != nil {
			return err
		}
		fds = append(fds, fd)
	}
	if slices.Max(fds) >= maxDescriptor-16 {
		return errors.New("too many open files in this process")
	}
	return nil
}

// reasonOf maps the errors of kernel and library. The library wraps no error numbers in its own
// errors and returns others bare.
func reasonOf(err error) OpenReason {
	var pe *serial.PortError
	if errors.As(err, &pe) {
		switch pe.Code() {
		case serial.PortBusy:
			return OpenBusy
		case serial.PortNotFound:
			return OpenAbsent
		case serial.PermissionDenied:
			return OpenNotPermitted
		case serial.InvalidSpeed:
			return OpenBadSpeed
		case serial.InvalidSerialPort:
			// Setting the speed is the last step and the only one with this text.
			if strings.Contains(pe.Error(), "configuring port") {
				return OpenBadSpeed
			}
			return OpenNotTerminal
		}
		return OpenOther
	}
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENOTDIR):
		return OpenAbsent
	case errors.Is(err, fs.ErrPermission):
		return OpenNotPermitted
	case errors.Is(err, unix.EBUSY):
		return OpenBusy
	case errors.Is(err, unix.ENOTTY):
		return OpenNotTerminal
	}
	return OpenOther
}

// Read implements Port.
func (d *device) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil // the library takes this for the end of the port
	}
	n, err := d.port.Read(p)
	if err != nil {
		return n, d.gone("read", err)
	}
	return n, nil
}

// Write implements Port. It returns when the kernel has all of p.
func (d *device) Write(p []byte) (int, error) {
	d.busy <- struct{}{}
	if d.closing.Load() {
		<-d.busy
		return 0, fmt.Errorf("cannot write %s: %w", d.path, ErrClosed)
	}
	defer func() { <-d.busy }()
	done := 0
	for done < len(p) {
		n, err := d.port.Write(p[done:])
		done += n
		switch {
		case errors.Is(err, unix.EINTR):
		case err != nil:
			return done, d.gone("write", err)
		case n == 0:
			return done, d.gone("write", errors.New("the kernel takes no bytes"))
		}
	}
	return done, nil
}

// gone tells our own close from a device that is gone: the library has one code for both. Any other
// error makes the port unusable as well.
func (d *device) gone(what string, err error) error {
	if d.closing.Load() {
		return fmt.Errorf("cannot %s %s: %w", what, d.path, ErrClosed)
	}
	return fmt.Errorf("cannot %s %s: %w (%w)", what, d.path, ErrUnplugged, err)
}

// Close implements Port. It returns an error, and leaves the port open, if a write is stuck in it.
func (d *device) Close() error {
	if d.closing.Swap(true) {
		return nil
	}
	select {
	case d.busy <- struct{}{}:
	case <-time.After(closeBound):
		return fmt.Errorf("cannot close %s: a write is stuck in it; end the process", d.path)
	}
	// Later writers take the token, see closing, and give it back.
	<-d.busy
	err := d.port.Close()
	d.lock.release()
	if err != nil {
		return fmt.Errorf("cannot close %s: %w", d.path, err)
	}
	return nil
}

// Ports lists the serial ports of this machine. It opens some of them for a moment to see whether
// they exist, so it is for people who look for a port, and not to be called while one is in use.
func Ports() ([]PortInfo, error) {
	list, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, fmt.Errorf("cannot list serial ports: %w", err)
	}
	stable := stableNames("/dev/serial/by-id", "/dev/beltwarden", "/dev/serial/by-path")
	var out []PortInfo
	for _, p := range list {
		if p.Name == "" {
			continue // a node without a device behind it
		}
		out = append(out, PortInfo{Path: p.Name, StableNames: stable[p.Name],
			VendorID: p.VID, ProductID: p.PID, SerialNumber: p.SerialNumber, Product: p.Product})
	}
	slices.SortFunc(out, func(a, b PortInfo) int { return strings.Compare(a.Path, b.Path) })
	return out, nil
}
