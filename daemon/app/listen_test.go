package app

import (
	"errors"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltwarden/daemon/client"
)

func TestSocketPermissions(t *testing.T) {
	c, r := settings(t), machine(t)
	start(t, Options{Config: c, Opener: r.Open})
	info, err := os.Stat(c.Server.Socket)
	if err != nil || info.Mode().Perm() != socketMode {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	if left, _ := os.ReadDir(filepath.Dir(c.Server.Socket)); len(left) != 1 {
		t.Errorf("beside the socket: %v", left)
	}
}

func TestSocketPlace(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "s")
	fails := func(want string) {
		t.Helper()
		l, err := listenSocket(t.Context(), path)
		if err == nil {
			l.Close()
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	if err := os.WriteFile(path, []byte("the operator's notes"), 0o600); err != nil {
		t.Fatal(err)
	}
	fails("something else of that name")
	if data, err := os.ReadFile(path); err != nil || len(data) == 0 {
		t.Fatalf("a file was harmed: %v", err)
	}
	os.Remove(path)

	// What a killed daemon leaves: a socket at which nobody answers.
	dead, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		t.Fatal(err)
	}
	dead.SetUnlinkOnClose(false)
	dead.Close()
	first, err := listenSocket(t.Context(), path)
	if err != nil {
		t.Fatalf("the socket of a daemon that was killed: %v", err)
	}
	fails("another daemon answers there")

	// A daemon does not take away what is not its own.
	os.Remove(path)
	second, err := listenSocket(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	first.Close()
	if _, err := os.Lstat(path); err != nil {
		t.Errorf("the first daemon took the second's socket away: %v", err)
	}
	second.Close()
	if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the socket is left: %v", err)
	}
}

func TestOtherAddressesNeedASecret(t *testing.T) {
	for _, address := range []string{"0.0.0.0:0", ":0", "[::]:0", "192.0.2.1:0", "example.org:0"} {
		if l, err := listenTCP(t.Context(), address, false); err == nil {
			l.Close()
			t.Errorf("%s is open to other computers", address)
		} else if !strings.Contains(err.Error(), "without a secret") {
			t.Errorf("%s: %v", address, err)
		}
	}
	for _, address := range []string{"127.0.0.1:0", "127.1.2.3:0", "localhost:0"} {
		l, err := listenTCP(t.Context(), address, false)
		if err != nil {
			t.Errorf("%s: %v", address, err)
			continue
		}
		l.Close()
	}
	l, err := listenTCP(t.Context(), "0.0.0.0:0", true)
	if err != nil {
		t.Fatal(err)
	}
	l.Close()
}

func TestSecret(t *testing.T) {
	const secret = "a-long-enough-secret"
	c, r := settings(t), machine(t)
	c.Server.SecretFile = filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(c.Server.SecretFile, []byte(secret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	a := start(t, Options{Config: c, Opener: r.Open})
	url := "http://" + a.Addr()
	for _, wrong := range []string{"", "a-long-enough-secreT", secret + "x", secret[1:]} {
		var p *client.Problem
		if _, err := connect(t, url, client.WithSecret(wrong)).Status(t.Context()); !errors.As(err, &p) || p.Status != http.StatusUnauthorized {
			t.Errorf("with %q: %v", wrong, err)
		}
	}
	if _, err := connect(t, url, client.WithSecret(secret)).Status(t.Context()); err != nil {
		t.Errorf("with the secret: %v", err)
	}
	if _, err := connect(t, c.Server.Socket).Status(t.Context()); err != nil {
		t.Errorf("over the socket: %v", err)
	}
}
