package serialio

import (
	"bytes"
	"sync"
	"sync/atomic"
	"time"
)

// writer is the one goroutine that calls Port.Write. It writes urgent bytes first: only a call of
// Write in progress can be ahead of them.
type writer struct {
	port Port
	wake chan struct{} // one token: there is something to do
	done chan struct{} // closed when the goroutine has returned
	fail chan error    // one error at most
	sent atomic.Uint64 // bytes written

	mu       sync.Mutex // guards the fields below, never held during I/O
	urgent   []byte
	lines    []byte // frames, the last possibly incomplete
	drops    uint64 // times that lines were dropped
	busy     bool
	stopping bool
	lastEnd  time.Time // when the newest Write returned

	// Owned by the goroutine.
	midLine  bool // the last byte written does not end a line
	dropRest bool // the rest of the line in lines belongs to nothing on the wire any more
}

func newWriter(port Port) *writer {
	return &writer{port: port, wake: make(chan struct{}, 1), done: make(chan struct{}), fail: make(chan error, 1)}
}

func (w *writer) signal() {
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// queue appends frames to be written.
func (w *writer) queue(b []byte) {
	w.mu.Lock()
	w.lines = append(w.lines, b...)
	w.mu.Unlock()
	w.signal()
}

// queueUrgent puts bytes ahead of everything that is not being written already.
func (w *writer) queueUrgent(b []byte) {
	w.mu.Lock()
	w.urgent = append(w.urgent, b...)
	w.mu.Unlock()
	w.signal()
}

// drop discards frames not yet handed to the port.
func (w *writer) drop() {
	w.mu.Lock()
	w.lines = w.lines[:0]
	w.drops++
	w.mu.Unlock()
}

// idle reports whether nothing is waiting or being written, and since when.
func (w *writer) idle() (bool, time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return !w.busy && len(w.lines) == 0 && len(w.urgent) == 0, w.lastEnd
}

// stop lets the goroutine end once urgent bytes are written; frames are dropped.
func (w *writer) stop() {
	w.mu.Lock()
	w.stopping = true
	w.lines = w.lines[:0]
	w.mu.Unlock()
	w.signal()
}

func (w *writer) run() {
	defer close(w.done)
	var spareLines, spareUrgent []byte
	var drops uint64
	for {
		w.mu.Lock()
		var lines, urgent []byte
		urgent, w.urgent = w.urgent, spareUrgent[:0]
		spareUrgent = urgent
		if len(urgent) == 0 {
			lines, w.lines = w.lines, spareLines[:0]
			spareLines = lines // free again once it is written
			if drops != w.drops {
				drops = w.drops
				w.dropRest = false // the rest of a cut line was dropped with the others
			}
		}
		stopping := w.stopping
		w.busy = len(lines)+len(urgent) > 0
		busy := w.busy
		w.mu.Unlock()
		if !busy {
			if stopping {
				return
			}
			<-w.wake
			continue
		}
		err := w.writeUrgent(urgent)
		if err == nil {
			err = w.write(lines)
		}
		w.mu.Lock()
		w.busy = false
		w.lastEnd = time.Now()
		w.mu.Unlock()
		if err != nil {
			w.fail <- err
			return
		}
	}
}

// writeUrgent writes urgent bytes on a line of their own. The board rejects the line that they
// interrupt; the rest of it is not sent, since it could read as a command without a number.
func (w *writer) writeUrgent(b []byte) error {
	if len(b) == 0 {
		return nil
	}
	if w.midLine {
		b = append([]byte{'\n'}, b...)
		w.dropRest = true
	}
	for len(b) > 0 {
		n, err := w.writeOnce(b)
		if err != nil {
			return err
		}
		b = b[n:]
	}
	return nil
}

// write hands frames to the port. A port may accept less than it was given; urgent bytes that
// arrived in the meantime then go first.
func (w *writer) write(b []byte) error {
	for len(b) > 0 {
		if w.dropRest {
			end := bytes.IndexByte(b, '\n')
			if end < 0 {
				return nil
			}
			b, w.dropRest = b[end+1:], false
			continue
		}
		n, err := w.writeOnce(b)
		if err != nil {
			return err
		}
		if b = b[n:]; len(b) == 0 {
			return nil
		}
		w.mu.Lock()
		urgent := w.urgent
		w.urgent = nil
		w.mu.Unlock()
		if err := w.writeUrgent(urgent); err != nil {
			return err
		}
	}
	return nil
}

// writeOnce calls Write once.
func (w *writer) writeOnce(b []byte) (int, error) {
	n, err := w.port.Write(b)
	n = min(max(n, 0), len(b))
	w.sent.Add(uint64(n))
	if n > 0 {
		w.midLine = b[n-1] != '\n'
	}
	return n, err
}
