package serialio

import (
	"sync"
	"sync/atomic"
	"time"
)

// writer is the one goroutine that calls Port.Write. It takes urgent bytes
// before anything else, so that nothing of ours can be ahead of them but a call
// of Write already in progress.
type writer struct {
	port Port
	wake chan struct{} // one token: there is something to do
	done chan struct{} // closed when the goroutine has returned
	fail chan error    // one error at most
	sent atomic.Uint64 // bytes written

	mu       sync.Mutex // guards the fields below, never held during I/O
	urgent   []byte
	lines    []byte // whole frames
	busy     bool
	stopping bool
	lastEnd  time.Time // when the newest Write returned
}

func newWriter(port Port) *writer {
	return &writer{port: port, wake: make(chan struct{}, 1), done: make(chan struct{}), fail: make(chan error, 1)}
}

func (w *writer) poke() {
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// queue appends whole frames to what is to be written.
func (w *writer) queue(b []byte) {
	w.mu.Lock()
	w.lines = append(w.lines, b...)
	w.mu.Unlock()
	w.poke()
}

// jump puts bytes ahead of everything that is not being written already.
func (w *writer) jump(b []byte) {
	w.mu.Lock()
	w.urgent = append(w.urgent, b...)
	w.mu.Unlock()
	w.poke()
}

// drop forgets frames not yet handed to the port.
func (w *writer) drop() {
	w.mu.Lock()
	w.lines = w.lines[:0]
	w.mu.Unlock()
}

// idle says whether nothing is waiting or being written, and since when.
func (w *writer) idle() (bool, time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return !w.busy && len(w.lines) == 0 && len(w.urgent) == 0, w.lastEnd
}

// stop lets the goroutine end once urgent bytes are out; frames are dropped.
func (w *writer) stop() {
	w.mu.Lock()
	w.stopping = true
	w.lines = w.lines[:0]
	w.mu.Unlock()
	w.poke()
}

func (w *writer) run() {
	defer close(w.done)
	var spareLines, spareUrgent []byte
	for {
		w.mu.Lock()
		var lines, urgent []byte
		urgent, w.urgent = w.urgent, spareUrgent[:0]
		spareUrgent = urgent
		if len(urgent) == 0 {
			lines, w.lines = w.lines, spareLines[:0]
			spareLines = lines // free again once it is written
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
		err := w.write(urgent)
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

// write hands all of b to the port. A port may take less than it was given;
// urgent bytes that came meanwhile then go first, on a line of their own. That
// breaks the frame they cut through, and the board rejects it: numbers and
// checksums are for that.
func (w *writer) write(b []byte) error {
	cut := false // what was written last is not the end of a line
	for len(b) > 0 {
		n, err := w.port.Write(b)
		n = min(max(n, 0), len(b))
		w.sent.Add(uint64(n))
		if n > 0 {
			cut = b[n-1] != '\n'
		}
		if err != nil {
			return err
		}
		b = b[n:]
		if len(b) == 0 {
			return nil
		}
		w.mu.Lock()
		urgent := w.urgent
		w.urgent = nil
		w.mu.Unlock()
		if len(urgent) == 0 {
			continue
		}
		if cut {
			urgent = append([]byte{'\n'}, urgent...)
		}
		if err := w.write(urgent); err != nil {
			return err
		}
	}
	return nil
}
