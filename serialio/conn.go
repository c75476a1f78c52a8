package serialio

import (
	"errors"
	"fmt"
	"sync"
	"time"
)

// Conn keeps a board and a sender synchronised: it numbers lines, holds back those that the board
// has no room for, and resends those that were lost. All methods may be called from any goroutine
// at any time, also from the one that receives Events.
//
// # Why each line reaches the board exactly once, in order
//
// The board accepts a numbered line only if its number follows that of the last accepted line and
// its checksum is right. Call the lines of one numbering 1, 2, 3 and so on. Two different texts
// never have the same number (a window slot keeps its frame until the board has accepted it, and
// the numbered lines of a cancelled program are still sent), so whatever arrives, however often and
// in whatever order, the board can accept line k only after k-1 and never a second time. That
// requires no trust in the board's replies: neither their order nor their numbers can make it
// accept a line twice.
//
// It remains to ensure that no line is left out. The sender stops only when it believes that the
// last line was accepted, and a plain ok may be miscounted (damaged, doubled, left over from a
// rejection). Therefore before EventDone, and before the number is set again, which would destroy
// the evidence, it sends a probe: a line with a number that cannot be next must be rejected, and
// the rejection names the expected line. If that is an older line, accepted lines kept in the
// window are resent from there. A board that includes the number in its ok has answered already.
//
// Two gaps remain and are made narrow. One mixture of two lines in 256 has a right checksum by
// chance: so after a rejection nothing is sent until the line is quiet, then a bare line feed ends
// any partial line in the board's buffer, and after another quiet time the first line is sent
// alone. And a board that restarts counts from the beginning, so that old lines would fit: its
// start message, or a count back at 0, ends the connection with [ErrReset] or [ErrRecount], and
// nothing is resent. Our own numbering never begins below [StartNumber], so the two counts cannot
// be confused.
type Conn struct {
	port Port
	opt  Options

	events     chan Event
	chunks     chan chunk
	spare      chan []byte   // read buffers to use again
	wake       chan struct{} // one token: the inbox is not empty
	stop       chan struct{} // closed by Close
	loopDone   chan struct{}
	readerDone chan struct{}
	w          *writer
	closeOnce  sync.Once
	closeErr   error

	mu      sync.Mutex // guards the fields below, never held during I/O
	inbox   []request
	running bool  // a program was started and has not ended
	endErr  error // why the connection accepts no more requests
	stats   Stats
}

type requestKind int

const (
	requestRun requestKind = iota
	requestControl
	requestCancel
	requestUrgent
)

type request struct {
	kind requestKind
	id   uint64
	src  Source
	text []byte
}

// closeBound is how long Close waits for each of the writer and the port.
const closeBound = 3 * time.Second

// ErrBusy: a program is running already.
var ErrBusy = errors.New("a program is running already")

// NewConn takes over an open port and begins to synchronise with the board, which ends with
// EventSynced or EventLost. The connection owns the port. The caller must receive Events, and call
// Close in the end, also after EventLost.
func NewConn(port Port, o Options) *Conn {
	o.fill()
	c := &Conn{
		port: port, opt: o,
		events: make(chan Event), chunks: make(chan chunk, 1), spare: make(chan []byte, 3),
		wake: make(chan struct{}, 1), stop: make(chan struct{}),
		loopDone: make(chan struct{}), readerDone: make(chan struct{}),
		w: newWriter(port),
	}
	c.stats.LastNumber, c.stats.PlannerFree, c.stats.BufferFree = -1, -1, -1
	l := newLoop(c, time.Now())
	go c.read()
	go c.w.run()
	go l.run()
	return c
}

// Events returns the channel of all events, in order. It is closed after EventLost, or after Close,
// which drops what was not received yet. A slow receiver delays only itself; reports beyond
// maxPending, and readings beyond maxReadings, are dropped and counted.
func (c *Conn) Events() <-chan Event { return c.events }

// Run streams the lines of src as program id. It ends with EventDone, EventCancelled or
// EventFailed. It returns ErrBusy if a program is running, or the error of EventLost if the
// connection has ended.
func (c *Conn) Run(id uint64, src Source) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.endErr != nil {
		return fmt.Errorf("cannot run program: %w", c.endErr)
	}
	if c.running {
		return fmt.Errorf("cannot run program: %w", ErrBusy)
	}
	c.running = true
	c.post(request{kind: requestRun, id: id, src: src})
	return nil
}

// SendControl sends one control line ahead of further lines of the program. EventDone with the id
// follows when the board has answered it, after the reports that the answer consists of;
// EventFailed if the line cannot be sent. On a connection that has ended it does nothing.
func (c *Conn) SendControl(id uint64, text string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.endErr == nil {
		c.post(request{kind: requestControl, id: id, text: []byte(text)})
	}
}

// Cancel ends the running program: no further line is read from its source, and EventCancelled
// follows when all numbered lines are accepted. The board executes accepted lines; only Urgent
// commands stop them.
func (c *Conn) Cancel() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.endErr == nil {
		c.post(request{kind: requestCancel})
	}
}

// Urgent writes b unnumbered and at once, ahead of all lines: emergency commands with their line
// feed. It works at any time until Close, also while synchronising and after EventLost. Since the
// board may or may not answer, the connection then probes which lines were accepted.
func (c *Conn) Urgent(b []byte) {
	c.w.queueUrgent(b)
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.endErr == nil {
		c.post(request{kind: requestUrgent})
	}
}

// post hands a request to the loop. The caller holds mu.
func (c *Conn) post(r request) {
	c.inbox = append(c.inbox, r)
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// Stats returns the running totals.
func (c *Conn) Stats() Stats {
	c.mu.Lock()
	s := c.stats
	c.mu.Unlock()
	s.BytesSent = c.w.sent.Load()
	return s
}

// Close ends the connection and closes the port, within a few seconds. If a write is stuck in the
// kernel, the port is left open and an error says so: closing it under the writer could send its
// bytes into another file, so the process should end.
func (c *Conn) Close() error {
	c.closeOnce.Do(func() { c.closeErr = c.shut() })
	return c.closeErr
}

func (c *Conn) shut() error {
	c.mu.Lock()
	if c.endErr == nil {
		c.endErr = ErrClosed
	}
	c.mu.Unlock()
	close(c.stop)
	<-c.loopDone
	c.w.stop()
	bound := time.NewTimer(closeBound)
	defer bound.Stop()
	select {
	case <-c.w.done:
	case <-bound.C:
		return errors.New("cannot close port: a write is stuck in it; end the process")
	}
	closed := make(chan error, 1)
	go func() { closed <- c.port.Close() }()
	bound.Reset(closeBound)
	select {
	case err := <-closed:
		if err != nil {
			return fmt.Errorf("cannot close port: %w", err)
		}
	case <-bound.C:
		return errors.New("cannot close port: the kernel is still sending its last bytes")
	}
	select {
	case <-c.readerDone:
		return nil
	case <-bound.C:
		return errors.New("cannot close port: a read is stuck in it; end the process")
	}
}
