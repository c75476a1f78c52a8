package app

import (
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// TestWatchdog: the service manager hears that the daemon is alive, and hears nothing of
// one whose run does not go round.
func TestWatchdog(t *testing.T) {
	name := filepath.Join(t.TempDir(), "n")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	t.Setenv("NOTIFY_SOCKET", name)
	t.Setenv("WATCHDOG_USEC", "300000")
	t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	hears := func(within time.Duration) (n int) {
		if err := manager.SetReadDeadline(time.Now().Add(within)); err != nil {
			t.Fatal(err)
		}
		for {
			buf := make([]byte, 100)
			k, err := manager.Read(buf)
			if err != nil {
				return n
			}
			if strings.Contains(string(buf[:k]), notifyAlive) {
				n++
			}
		}
	}
	c, r := settings(t), machine(t)
	a := start(t, Options{Config: c, Opener: r.Open})
	if n := hears(2 * time.Second); n < 5 {
		t.Errorf("fed %d times in two seconds, ten times a second is asked for", n)
	}
	// A ledger that does not answer is as good as a daemon that hangs.
	if err := a.ledger.Close(); err != nil {
		t.Fatal(err)
	}
	hears(500 * time.Millisecond) // what was on its way
	if n := hears(time.Second); n != 0 {
		t.Errorf("fed %d times though the ledger is gone", n)
	}
}

func TestNoWatchdog(t *testing.T) {
	for _, c := range []struct {
		usec, pid string
		want      time.Duration
	}{{"", "", 0}, {"x", "", 0}, {"-1", "", 0}, {"2000000", "1", 0}, {"2000000", "", 2 * time.Second}} {
		t.Setenv("WATCHDOG_USEC", c.usec)
		t.Setenv("WATCHDOG_PID", c.pid)
		if got := watchdogEvery(); got != c.want {
			t.Errorf("%q for %q: %v", c.usec, c.pid, got)
		}
	}
}
