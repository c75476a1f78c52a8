package app

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"beltwarden/config"
)

// socketMode lets the daemon's user and group give commands.
const socketMode = 0o660

// listenTCP opens the address of the screen. Without a secret only this computer
// may reach it.
func listenTCP(ctx context.Context, address string, secret bool) (net.Listener, error) {
	if !secret && !config.Loopback(address) {
		return nil, fmt.Errorf("cannot listen on %s: other computers could heat and move the machine without a secret; "+
			"use a loopback address such as 127.0.0.1:7353, or make a secret with: beltwarden config secret FILE, and name it as server.secret_file", address)
	}
	var c net.ListenConfig
	l, err := c.Listen(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("cannot listen on %s: %w", address, err)
	}
	return l, nil
}

// listenSocket opens the local socket. It is made under another name and moved
// into place once its permissions are right, so that nobody can slip in before.
func listenSocket(ctx context.Context, path string) (net.Listener, error) {
	fail := func(err error) (net.Listener, error) {
		return nil, fmt.Errorf("cannot open the socket %s: %w", path, err)
	}
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return fail(err)
	}
	if err := checkSocketFree(ctx, path); err != nil {
		return fail(err)
	}
	early := filepath.Join(dir, ".bw"+rand.Text()[:6])
	var c net.ListenConfig
	l, err := c.Listen(ctx, "unix", early)
	if err != nil {
		return fail(err)
	}
	l.(*net.UnixListener).SetUnlinkOnClose(false)
	if err = os.Chmod(early, socketMode); err == nil {
		err = os.Rename(early, path)
	}
	if err != nil {
		_ = os.Remove(early)
		_ = l.Close()
		return fail(err)
	}
	mine, err := os.Lstat(path)
	if err != nil {
		_ = l.Close()
		return fail(err)
	}
	return &socketListener{l, path, mine}, nil
}

// checkSocketFree returns nil if a socket can be put at a path: nothing is there, or the socket of
// a daemon that was killed.
func checkSocketFree(ctx context.Context, path string) error {
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.Mode()&fs.ModeSocket == 0:
		return errors.New("there is something else of that name; move it away or write another path")
	}
	d := net.Dialer{Timeout: 2 * time.Second}
	c, err := d.DialContext(ctx, "unix", path)
	if err == nil {
		_ = c.Close()
		return errors.New("another daemon answers there; stop it first")
	}
	if !errors.Is(err, syscall.ECONNREFUSED) {
		return fmt.Errorf("cannot tell whether another daemon answers there: %w", err)
	}
	return nil // the move will replace it
}

// socketListener takes its socket away when it is closed, unless another daemon
// has put its own there.
type socketListener struct {
	net.Listener
	path string
	mine fs.FileInfo
}

// Close implements net.Listener.
func (l *socketListener) Close() error {
	if now, err := os.Lstat(l.path); err == nil && os.SameFile(now, l.mine) {
		_ = os.Remove(l.path)
	}
	return l.Listener.Close()
}
