package app

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"
	"go.uber.org/zap"
	"golang.org/x/sys/unix"
)

// TestWatchdog: the service manager hears that the daemon is alive, in virtual time and as
// often as it asked, and hears nothing of one whose run does not go round.
func TestWatchdog(t *testing.T) {
	name := filepath.Join(t.TempDir(), "n")
	manager, err := unix.Socket(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(manager)
	if err := unix.Bind(manager, &unix.SockaddrUnix{Name: name}); err != nil {
		t.Fatal(err)
	}
	t.Setenv("NOTIFY_SOCKET", name)
	t.Setenv("WATCHDOG_USEC", "300000")
	t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	synctest.Test(t, func(t *testing.T) {
		hears := func(within time.Duration) (n int) {
			for end := time.Now().Add(within); ; time.Sleep(50 * time.Millisecond) {
				synctest.Wait()
				for {
					buf := make([]byte, 100)
					k, err := unix.Read(manager, buf)
					if err != nil {
						break
					}
					if strings.Contains(string(buf[:k]), systemd.SdNotifyWatchdog) {
						n++
					}
				}
				if !time.Now().Before(end) {
					return n
				}
			}
		}
		a, err := New(t.Context(), Options{Config: settings(t), Opener: machine(t).Open, Log: zap.NewNop()})
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = stopApp(a) }()
		a.startRun()
		a.startWatchdog()
		if n := hears(time.Minute); n < 600 || n > 601 {
			t.Errorf("fed %d times in a minute, ten times a second is asked for", n)
		}
		// A ledger that does not answer is as good as a daemon that hangs.
		if err := a.ledger.Close(); err != nil {
			t.Fatal(err)
		}
		if n := hears(time.Minute); n != 0 {
			t.Errorf("fed %d times though the ledger is gone", n)
		}
	})
}
