package rig

import (
	"fmt"
	"sync"
	"time"

	"beltwarden/serialio"
)

// readTimeout is how long Read waits before it returns with nothing, unless the
// settings say otherwise.
const readTimeout = 100 * time.Millisecond

// inChunk is bytes on their way to the board, written at a wall time.
type inChunk struct {
	from *link
	data []byte
	wall time.Time
}

// outChunk is bytes on their way to the host, complete there at a wall time.
type outChunk struct {
	data []byte
	due  time.Time
}

// link is one opening of the board's port: the cable. It implements
// [serialio.Port] with channels only, so that every wait on it is durable in a
// synctest bubble.
type link struct {
	path   string
	wait   time.Duration // readTimeout or what the settings say
	in     chan<- inChunk
	out    chan outChunk
	closed chan struct{} // by Close
	gone   chan struct{} // by the board's goroutine, when the cable is pulled
	ended  <-chan struct{}
	close  sync.Once

	// Owned by the reading goroutine.
	next  outChunk // taken from out, not yet handed over
	timer *time.Timer

	// Owned by the board's goroutine.
	pending []outChunk // did not fit into out
	backlog int        // bytes in pending
	baud    int
	garbled bool // the host speaks at another rate than the board
	rxFree  time.Duration
	txFree  time.Duration
}

func newLink(path string, baud int, wait time.Duration, in chan<- inChunk, ended <-chan struct{}) *link {
	if wait == 0 {
		wait = readTimeout
	}
	return &link{
		path: path, baud: baud, wait: wait, in: in, ended: ended,
		out:    make(chan outChunk, 256),
		closed: make(chan struct{}),
		gone:   make(chan struct{}),
	}
}

// Write puts bytes on the wire. It blocks while more than the host's kernel would
// hold is waiting there.
func (l *link) Write(p []byte) (int, error) {
	if err := l.state(); err != nil {
		return 0, fmt.Errorf("cannot write to %s: %w", l.path, err)
	}
	if len(p) == 0 {
		return 0, nil
	}
	c := inChunk{from: l, data: append([]byte(nil), p...), wall: time.Now()}
	select {
	case l.in <- c:
		return len(p), nil
	case <-l.closed:
	case <-l.gone:
	case <-l.ended:
	}
	return 0, fmt.Errorf("cannot write to %s: %w", l.path, l.state())
}

// Read returns what has arrived, or (0, nil) after a timeout.
func (l *link) Read(p []byte) (int, error) {
	if err := l.state(); err != nil {
		return 0, fmt.Errorf("cannot read from %s: %w", l.path, err)
	}
	if len(p) == 0 {
		return 0, nil
	}
	deadline := time.Now().Add(l.wait)
	if len(l.next.data) == 0 {
		select { // without a timer when something is there already
		case l.next = <-l.out:
		default:
			if err := l.await(l.wait, true); err != nil {
				return 0, err
			}
			if len(l.next.data) == 0 {
				return 0, nil
			}
		}
	}
	if wait := time.Until(l.next.due); wait > 0 {
		if err := l.await(min(wait, time.Until(deadline)), false); err != nil {
			return 0, err
		}
		if time.Now().Before(l.next.due) {
			return 0, nil
		}
	}
	return l.take(p), nil
}

// await waits for d, for the end of the link, or, if wanted, for the next chunk.
func (l *link) await(d time.Duration, chunk bool) error {
	if l.timer == nil {
		l.timer = time.NewTimer(d)
	} else {
		l.timer.Reset(d)
	}
	defer l.timer.Stop()
	out := l.out
	if !chunk {
		out = nil
	}
	select {
	case l.next = <-out:
		return nil
	case <-l.timer.C:
		return nil
	case <-l.closed:
	case <-l.gone:
	case <-l.ended:
	}
	return fmt.Errorf("cannot read from %s: %w", l.path, l.state())
}

// take copies everything that is due into p.
func (l *link) take(p []byte) int {
	n := 0
	now := time.Now()
	for {
		k := copy(p[n:], l.next.data)
		l.next.data = l.next.data[k:]
		n += k
		if n == len(p) || len(l.next.data) > 0 {
			return n
		}
		select {
		case l.next = <-l.out:
			if l.next.due.After(now) {
				return n
			}
		default:
			return n
		}
	}
}

// state returns why the link can carry nothing, or nil.
func (l *link) state() error {
	select {
	case <-l.closed:
		return serialio.ErrClosed
	default:
	}
	select {
	case <-l.gone:
		return serialio.ErrUnplugged
	case <-l.ended:
		return serialio.ErrUnplugged
	default:
		return nil
	}
}

// Close ends the link from the host's side. The board goes on.
func (l *link) Close() error {
	l.close.Do(func() { close(l.closed) })
	return nil
}

func (l *link) isClosed() bool {
	select {
	case <-l.closed:
		return true
	default:
		return false
	}
}
