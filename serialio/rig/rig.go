package rig

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"beltwarden/serialio"
)

// wireLimit is the number of bytes that the host's kernel and adapter hold on their
// way to the board; a Write beyond it blocks. backlogLimit is what they hold the
// other way; beyond it bytes are lost.
const (
	wireLimit    = 8 << 10
	backlogLimit = 256 << 10
)

// Rig is one simulated belt machine. Its methods may be called from any goroutine.
type Rig struct {
	set  Settings
	in   chan inChunk
	reqs chan func()
	quit chan struct{}
	done chan struct{} // the board's goroutine has ended
	end  sync.Once
	tail sync.Mutex // guards the controller once the goroutine has ended

	// Owned by the board's goroutine.
	clk    clock
	ctl    *controller
	link   *link         // nil: nobody has the port open
	absent bool          // the cable is out
	replug chan struct{} // closed while the cable is in
}

// New starts a machine: powered, cold, nobody connected. Its goroutine runs until
// Close. In a synctest bubble New must be called inside the bubble.
func New(s Settings) (*Rig, error) {
	if err := s.check(); err != nil {
		return nil, fmt.Errorf("cannot make the simulated machine: %w", err)
	}
	s.Faults = slices.Clone(s.Faults)
	r := &Rig{
		set: s, in: make(chan inChunk, 16), reqs: make(chan func()),
		quit: make(chan struct{}), done: make(chan struct{}),
		replug: make(chan struct{}),
	}
	close(r.replug)
	r.ctl = newController(&r.set)
	r.ctl.unplug, r.ctl.plug = r.unplugged, r.plugged
	r.clk.rebase(time.Now(), 0, s.Speed)
	go r.run()
	return r, nil
}

// Close switches the machine off. Open ports report that the device is gone. The
// error is that of writing the record, if any.
func (r *Rig) Close() error {
	r.end.Do(func() { close(r.quit) })
	<-r.done
	r.tail.Lock()
	defer r.tail.Unlock()
	if r.ctl.record.err != nil {
		return fmt.Errorf("cannot write the machine's record: %w", r.ctl.record.err)
	}
	return nil
}

// do runs f in the board's goroutine, with the board brought up to now.
func (r *Rig) do(f func()) {
	ran := make(chan struct{})
	select {
	case r.reqs <- func() { f(); close(ran) }:
		<-ran
	case <-r.done:
		r.tail.Lock()
		defer r.tail.Unlock()
		f()
	}
}

// Open opens the machine's port in memory. It is a [serialio.Opener]. Opens that
// follow one another reach the same board, as when a cable is plugged in again; only
// one can be open at a time.
func (r *Rig) Open(ctx context.Context, s serialio.Settings) (serialio.Port, error) {
	if err := ctx.Err(); err != nil {
		return nil, &serialio.OpenError{Path: s.Path, Reason: serialio.OpenOther, Hint: "Try again.", Err: err}
	}
	select {
	case <-r.done:
		return nil, absent(s.Path)
	default:
	}
	var l *link
	var err error
	r.do(func() { l, err = r.connect(s.Path, s.BaudRate) })
	if err != nil {
		return nil, err
	}
	return l, nil
}

func absent(path string) error {
	return &serialio.OpenError{Path: path, Reason: serialio.OpenAbsent,
		Hint: "Plug the machine in and switch it on."}
}

// connect is Open in the board's goroutine.
func (r *Rig) connect(path string, baud int) (*link, error) {
	if r.absent {
		return nil, absent(path)
	}
	if r.link != nil && !r.link.isClosed() {
		return nil, &serialio.OpenError{Path: path, Reason: serialio.OpenBusy,
			Hint: "Close the other program that has the port open."}
	}
	if baud <= 0 {
		baud = 115200
	}
	own := r.set.Board.BaudRate
	r.link = newLink(path, baud, r.set.ReadTimeout, r.in, r.done)
	r.link.garbled = own != 0 && own != baud
	c := r.ctl
	c.cutWire()
	if r.set.Board.ResetOnOpen {
		c.reset()
		r.ship()
	}
	return r.link, nil
}

// unplugged takes the cable out.
func (r *Rig) unplugged(f Fault) {
	c := r.ctl
	if r.link != nil {
		close(r.link.gone)
		r.link = nil
	}
	c.cutWire()
	if f.Restart {
		c.reset()
		c.out = c.out[:0]
	}
	if !r.absent {
		r.absent = true
		r.replug = make(chan struct{})
	}
	c.plugAt = later(c.now, f.For)
}

// plugged puts the cable in again.
func (r *Rig) plugged() {
	if r.absent {
		r.absent, r.ctl.plugAt = false, never
		close(r.replug)
	}
}
