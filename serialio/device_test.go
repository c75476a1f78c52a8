package serialio

import (
	"bufio"
	"context"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// These tests use the real library on a pseudo-terminal, in real time.

func terminal(t *testing.T) (master *os.File, path string) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	path = slave.Name()
	slave.Close()
	t.Cleanup(func() { master.Close() })
	return master, path
}

func openDevice(t *testing.T, path string, baud int) Port {
	t.Helper()
	p, err := OpenDevice(context.Background(), Settings{Path: path, BaudRate: baud})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	return p
}

func TestDeviceTraffic(t *testing.T) {
	for _, baud := range []int{115200, 250000, 1000000} {
		master, path := terminal(t)
		p := openDevice(t, path, baud)
		// The speed as the kernel has it, in bit/s.
		tio, err := unix.IoctlGetTermios(int(master.Fd()), unix.TCGETS2)
		if err != nil || int(tio.Ospeed) != baud {
			t.Errorf("speed %d, want %d (%v)", tio.Ospeed, baud, err)
		}
		if n, err := p.Write([]byte("N1 G28*18\n")); n != 10 || err != nil {
			t.Errorf("write: %d, %v", n, err)
		}
		buf := make([]byte, 64)
		if n, err := master.Read(buf); string(buf[:n]) != "N1 G28*18\n" {
			t.Errorf("board got %q, %v", buf[:n], err)
		}
		if n, err := p.Read(buf); n != 0 || err != nil {
			t.Errorf("nothing there: %d, %v", n, err)
		}
		if n, err := p.Read(nil); n != 0 || err != nil {
			t.Errorf("empty read: %d, %v", n, err)
		}
		if _, err := master.Write([]byte("ok\r\n\x00\x11\x13\xff")); err != nil {
			t.Fatal(err)
		}
		if n, err := p.Read(buf); string(buf[:n]) != "ok\r\n\x00\x11\x13\xff" || err != nil {
			t.Errorf("read %q, %v", buf[:n], err)
		}
		if err := p.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
		if _, err := p.Write([]byte("x")); !errors.Is(err, ErrClosed) {
			t.Errorf("write after close: %v", err)
		}
		if _, err := p.Read(buf); !errors.Is(err, ErrClosed) {
			t.Errorf("read after close: %v", err)
		}
		if err := p.Close(); err != nil {
			t.Errorf("second close: %v", err)
		}
	}
}

func TestDeviceUnplugged(t *testing.T) {
	master, path := terminal(t)
	p := openDevice(t, path, 115200)
	got := make(chan error, 1)
	go func() {
		for {
			if _, err := p.Read(make([]byte, 16)); err != nil {
				got <- err
				return
			}
		}
	}()
	master.Close()
	if err := <-got; !errors.Is(err, ErrUnplugged) || errors.Is(err, ErrClosed) {
		t.Errorf("read: %v", err)
	}
	if _, err := p.Write([]byte("x")); !errors.Is(err, ErrUnplugged) {
		t.Errorf("write: %v", err)
	}
}

func TestOpenErrors(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, path := terminal(t)
	cases := []struct {
		path string
		baud int
		want OpenReason
	}{
		{filepath.Join(dir, "absent"), 115200, OpenAbsent},
		{filepath.Join(file, "below"), 115200, OpenAbsent},
		{file, 115200, OpenNotTerminal},
		{dir, 115200, OpenNotTerminal},
		{os.DevNull, 115200, OpenNotTerminal},
		{path, -1, OpenBadSpeed}, {path, 0, OpenBadSpeed}, {path, 9600, OpenBadSpeed}, {path, 2000000, OpenBadSpeed},
	}
	for _, c := range cases {
		_, err := OpenDevice(context.Background(), Settings{Path: c.path, BaudRate: c.baud})
		var oe *OpenError
		if !errors.As(err, &oe) || oe.Reason != c.want || oe.Hint == "" || oe.Path != c.path {
			t.Errorf("%s at %d: %v, want %v", c.path, c.baud, err, c.want)
		}
	}
	// What a test cannot bring about for the superuser.
	for err, want := range map[error]OpenReason{
		&fs.PathError{Err: unix.EACCES}: OpenNotPermitted, unix.EPERM: OpenNotPermitted,
		unix.EBUSY: OpenBusy, unix.ENXIO: OpenAbsent, errSource: OpenOther,
	} {
		if got := reasonOf(err); got != want {
			t.Errorf("%v: %v, want %v", err, got, want)
		}
	}
}

// TestLock: one device has one lock, by whatever name and from whatever process.
func TestLock(t *testing.T) {
	_, path := terminal(t)
	link := filepath.Join(t.TempDir(), "by-id")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	if os.Getenv("SERIALIO_LOCK_CHILD") != "" {
		path, link = os.Getenv("SERIALIO_LOCK_CHILD"), ""
		_, err := OpenDevice(context.Background(), Settings{Path: path, BaudRate: 115200})
		var oe *OpenError
		if !errors.As(err, &oe) || oe.Reason != OpenBusy || !strings.Contains(err.Error(), "process "+strconv.Itoa(os.Getppid())) {
			t.Fatalf("child: %v", err)
		}
		return
	}
	p := openDevice(t, path, 115200)
	_, err := OpenDevice(context.Background(), Settings{Path: link, BaudRate: 115200})
	var oe *OpenError
	if !errors.As(err, &oe) || oe.Reason != OpenBusy || !strings.Contains(err.Error(), strconv.Itoa(os.Getpid())) {
		t.Errorf("by its other name: %v", err)
	}
	child := exec.Command(os.Args[0], "-test.run=^TestLock$")
	child.Env = append(os.Environ(), "SERIALIO_LOCK_CHILD="+path)
	if out, err := child.CombinedOutput(); err != nil {
		t.Errorf("another process: %v\n%s", err, out)
	}
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	openDevice(t, link, 115200)
}

func TestStableNames(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"ttyA", "ttyB"} {
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	ids := filepath.Join(dir, "by-id")
	if err := os.Mkdir(ids, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("../ttyA", filepath.Join(ids, "usb-some-board")); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("../gone", filepath.Join(ids, "dangling")); err != nil {
		t.Fatal(err)
	}
	real, err := filepath.EvalSymlinks(dir)
	if err != nil {
		t.Fatal(err)
	}
	got := stableNames(ids, filepath.Join(dir, "absent"))
	if names := got[filepath.Join(real, "ttyA")]; len(got) != 1 || len(names) != 1 || filepath.Base(names[0]) != "usb-some-board" {
		t.Errorf("names %v", got)
	}
}

// TestConnOnTerminal runs a program through the real library, end to end.
func TestConnOnTerminal(t *testing.T) {
	master, path := terminal(t)
	p := openDevice(t, path, 250000)
	b := newBoard()
	b.rxSize = 128
	// The board's channels, joined to the terminal's other end.
	go func() {
		for r := bufio.NewReader(master); ; {
			line, err := r.ReadBytes('\n')
			if err != nil {
				return
			}
			b.rx <- line
		}
	}()
	go func() {
		for {
			select {
			case d := <-b.tx:
				if _, err := master.Write(d); err != nil {
					return
				}
			case <-b.closed:
				return
			}
		}
	}()
	go b.serve()
	defer b.Close()
	c := NewConn(p, Options{WindowBytes: 128, BootWait: -1, QuietFor: 30 * time.Millisecond})
	x := &bench{t: t, board: b, conn: c}
	x.wait(EventSynced)
	x.stream(program1(3000))
	if err := c.Close(); err != nil {
		t.Error(err)
	}
	for range c.Events() {
	}
	master.Close()
}
