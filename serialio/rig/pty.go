package rig

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"beltwarden/serialio"
)

// ServePTY offers the machine's port on a pseudo-terminal, with a symbolic link to
// it at path, until the context ends or the rig is closed. Programs may open and
// close it one after the other, as with a real port; an open resets a board that has
// ResetOnOpen. When the cable is pulled the terminal hangs up and the link vanishes;
// when it is in again there is a new terminal behind a new link.
//
// It returns nil when the context ends. An existing path that is no symbolic link is
// not touched and is an error.
func (r *Rig) ServePTY(ctx context.Context, path string) error {
	for {
		var in chan struct{}
		r.do(func() { in = r.replug })
		select {
		case <-in:
		case <-ctx.Done():
			return nil
		case <-r.done:
			return nil
		}
		if err := r.serveOnce(ctx, path); err != nil {
			return fmt.Errorf("cannot offer the machine at %s: %w", path, err)
		}
		if ctx.Err() != nil {
			return nil
		}
		select {
		case <-r.done:
			return nil
		default:
		}
	}
}

// terminal is one pseudo-terminal and the goroutines that serve it.
type terminal struct {
	rig    *Rig
	master *os.File
	slave  *os.File      // held open, so that the master lives on between clients
	fd     int           // of slave
	gone   chan struct{} // closed when the cable comes out
	once   sync.Once
	wg     sync.WaitGroup

	mu     sync.Mutex
	link   *link         // of the client that has it open, nil if none
	opened chan struct{} // closed when a client opens it
}

// serveOnce serves one pseudo-terminal until the context, the rig or the cable ends.
func (r *Rig) serveOnce(ctx context.Context, path string) error {
	master, slave, err := openPair()
	if err != nil {
		return err
	}
	defer master.Close()
	defer slave.Close()
	t := &terminal{rig: r, master: master, slave: slave, fd: int(slave.Fd()),
		gone: make(chan struct{}), opened: make(chan struct{})}
	if _, err := term.MakeRaw(t.fd); err != nil {
		return fmt.Errorf("raw mode: %w", err)
	}
	watch, err := watchOpens(slave.Name())
	if err != nil {
		return err
	}
	defer watch.Close()
	if err := placeLink(slave.Name(), path); err != nil {
		return err
	}
	t.wg.Go(t.fromHost)
	followed := make(chan struct{})
	go func() { defer close(followed); t.clients(watch) }()
	select {
	case <-ctx.Done():
	case <-r.done:
	case <-t.gone:
	}
	// The name goes before the hang-up, as when a device node is removed.
	removeLink(slave.Name(), path)
	watch.Close()
	<-followed // nobody attaches from here on
	t.detach()
	master.Close()
	slave.Close()
	t.wg.Wait()
	return nil
}

// clients follows who opens and closes the terminal.
func (t *terminal) clients(watch *os.File) {
	buf := make([]byte, 4096)
	open := 0
	for {
		n, err := watch.Read(buf)
		if err != nil {
			return
		}
		for b := buf[:n]; len(b) >= unix.SizeofInotifyEvent; {
			mask := binary.NativeEndian.Uint32(b[4:])
			b = b[unix.SizeofInotifyEvent+int(binary.NativeEndian.Uint32(b[12:])):]
			switch {
			case mask&unix.IN_OPEN != 0:
				if open++; open == 1 {
					t.attach()
				}
			case mask&(unix.IN_CLOSE_WRITE|unix.IN_CLOSE_NOWRITE) != 0:
				if open--; open == 0 {
					t.detach()
				}
			}
		}
	}
}

// attach opens the board's port for a client.
func (t *terminal) attach() {
	baud := t.rig.set.Board.BaudRate
	var l *link
	var err error
	t.rig.do(func() { l, err = t.rig.connect(t.slave.Name(), baud) })
	if err != nil {
		return // the cable is out, or someone has it open in memory: nobody answers
	}
	t.mu.Lock()
	t.link = l
	close(t.opened)
	t.mu.Unlock()
	t.wg.Go(func() { t.toHost(l) }) // fromHost keeps the group from being empty
}

// detach closes it. What the client has not read is lost, as with a real port.
func (t *terminal) detach() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.link == nil {
		return
	}
	t.link.Close()
	t.link = nil
	t.opened = make(chan struct{})
	unix.IoctlSetInt(t.fd, unix.TCFLSH, unix.TCIFLUSH)
}

// fromHost carries bytes from the terminal to the board.
func (t *terminal) fromHost() {
	buf := make([]byte, 4096)
	speed := uint32(0)
	for {
		n, err := t.master.Read(buf)
		if err != nil {
			return
		}
		t.mu.Lock()
		l, opened := t.link, t.opened
		t.mu.Unlock()
		if l == nil {
			// The bytes can be here before the news that someone has opened it.
			select {
			case <-opened:
				t.mu.Lock()
				l = t.link
				t.mu.Unlock()
			case <-t.gone:
			case <-time.After(200 * time.Millisecond):
			}
			if l == nil {
				continue
			}
			speed = 0
		}
		if tio, err := unix.IoctlGetTermios(t.fd, unix.TCGETS2); err == nil && tio.Ospeed != speed && tio.Ospeed > 0 {
			speed = tio.Ospeed
			t.rig.do(func() { t.rig.setBaud(l, int(speed)) })
		}
		l.Write(buf[:n])
	}
}

// toHost carries bytes from the board to the terminal until the link ends.
func (t *terminal) toHost(l *link) {
	buf := make([]byte, 4096)
	for {
		n, err := l.Read(buf)
		if errors.Is(err, serialio.ErrUnplugged) {
			t.once.Do(func() { close(t.gone) })
		}
		if err != nil {
			return
		}
		if n > 0 {
			if _, err := t.master.Write(buf[:n]); err != nil {
				return
			}
		}
	}
}

// setBaud takes over the rate that the client has set, in the board's goroutine.
func (r *Rig) setBaud(l *link, baud int) {
	own := r.set.Board.BaudRate
	l.baud, l.garbled = baud, own != 0 && own != baud
}
