package app

import (
	"net"
	"path/filepath"
	"testing"
	"time"
)

// The service manager hears that the daemon is ready once it answers, and that it
// stops before it does; the words are those of sd_notify(3).
func TestNotify(t *testing.T) {
	for _, name := range []string{filepath.Join(t.TempDir(), "n"), "@beltwarden-test-" + filepath.Base(t.TempDir())} {
		manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
		if err != nil {
			t.Fatal(err)
		}
		defer manager.Close()
		hears := func(want string) {
			t.Helper()
			if err := manager.SetReadDeadline(time.Now().Add(patience)); err != nil {
				t.Fatal(err)
			}
			buf := make([]byte, 100)
			n, err := manager.Read(buf)
			if err != nil || string(buf[:n]) != want {
				t.Errorf("%q, %v, want %q", buf[:n], err, want)
			}
		}
		t.Setenv("NOTIFY_SOCKET", name)
		c, r := settings(t), machine(t)
		a := start(t, Options{Config: c, Opener: r.Open})
		hears("READY=1")
		if _, err := connect(t, c.Server.Socket).Status(t.Context()); err != nil {
			t.Errorf("said to be ready: %v", err)
		}
		if err := stopApp(a); err != nil {
			t.Fatal(err)
		}
		hears("STOPPING=1")
	}
}
