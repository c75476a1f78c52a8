package serialio

import (
	"errors"
	"fmt"
	"time"
)

// phase is the loop's phase of synchronisation.
type phase int

const (
	phaseBoot   phase = iota // waiting for a start message
	phaseSettle              // waiting for the board to fall quiet
	phaseClear               // a bare line feed was sent; waiting for quiet again
	phaseProbe               // a line that must be rejected was sent
	phaseRun                 // synchronised
	phaseLost                // ended; events are still delivered
)

// maxPending bounds the events held for a slow receiver, and maxReadings those after which a report of
// temperatures is not added: the next one is newer, and what comes after it must not wait behind thousands.
const (
	// maxPending limits the events held for a slow receiver. maxReadings is the number beyond which
	// temperature reports are dropped: the next one is newer, and later events must not wait behind
	// thousands.
	maxPending  = 4096
	maxReadings = 64
)

// program is the program in progress.
type program struct {
	id        uint64
	src       Source
	last      int64 // position after its last numbered line
	eof       bool
	numbered  bool  // its last line set the number: its next line comes before any control line
	wait      int64 // position after its newest wait for heat
	cancelled bool
	err       error
}

func (p *program) ended() bool { return p.eof || p.cancelled || p.err != nil }

// controlLine is a control line that waits to be sent.
type controlLine struct {
	id   uint64
	text []byte
}

// loop owns the window and the state of the connection. All decisions are made in its goroutine.
type loop struct {
	c        *Conn
	opt      Options
	win      *window
	in       lineReader
	now      time.Time
	timer    *time.Timer
	armed    time.Time // when timer goes off
	pending  []Event
	head     int    // first event of pending not delivered
	out      []byte // bytes being assembled
	stats    Stats
	reported int64 // position up to which acceptance was reported

	prog         *program
	controlLines []controlLine
	line         []byte // line taken from the source, not yet numbered
	hasLine      bool

	phase     phase
	synced    bool // EventSynced was sent
	recovery       // sync.go
	reception      // receive.go
}

func newLoop(c *Conn, now time.Time) *loop {
	l := &loop{c: c, opt: c.opt, win: newWindow(c.opt.WindowBytes), now: now, stats: c.stats}
	l.opened, l.lastNumber, l.expected, l.doubtful = now, -1, -1, -1
	l.progress, l.lastNoise, l.lastHeard = now, now, now
	l.timer = time.NewTimer(0)
	l.armed = now
	return l
}

func (l *loop) run() {
	defer close(l.c.loopDone)
	defer close(l.c.events)
	defer l.timer.Stop()
	for {
		var out chan Event
		var next Event
		if l.head < len(l.pending) {
			out, next = l.c.events, l.pending[l.head]
		} else if l.phase == phaseLost {
			return
		}
		select {
		case ch := <-l.c.chunks:
			l.now = time.Now()
			l.received(ch)
		case <-l.c.wake:
			l.now = time.Now()
			l.requests()
		case err := <-l.c.w.fail:
			l.now = time.Now()
			l.lose(portError(err))
		case out <- next:
			l.delivered()
			continue
		case <-l.timer.C:
			l.now = time.Now()
			l.armed = time.Time{}
		case <-l.c.stop:
			l.finish()
			return
		}
		l.step()
		l.publish()
	}
}

// finish tells a waiting receiver that the connection was closed by us.
func (l *loop) finish() {
	select {
	case l.c.events <- Event{Kind: EventLost, Err: fmt.Errorf("cannot go on: %w", ErrClosed)}:
	default:
	}
}

func (l *loop) delivered() {
	l.pending[l.head] = Event{}
	l.head++
	if l.head == len(l.pending) {
		l.pending, l.head = l.pending[:0], 0
	}
}

func (l *loop) emit(e Event) {
	if e.Kind == EventReport {
		most := maxPending
		if k := e.Reply.Kind; k == ReplyTemps || k == ReplyOK {
			most = maxReadings
		}
		if len(l.pending)-l.head >= most {
			l.stats.ReportsDropped++
			return
		}
	}
	if l.head > maxPending {
		l.pending = append(l.pending[:0], l.pending[l.head:]...)
		l.head = 0
	}
	l.pending = append(l.pending, e)
}

// lose ends the connection. The program in progress gets no event of its own.
func (l *loop) lose(err error) {
	if l.phase == phaseLost {
		return
	}
	l.flushError()
	l.phase = phaseLost
	l.c.w.drop()
	l.emit(Event{Kind: EventLost, Err: err})
	l.prog, l.controlLines, l.hasLine = nil, nil, false
	l.c.mu.Lock()
	l.c.running = false
	if l.c.endErr == nil {
		l.c.endErr = err
	}
	l.c.mu.Unlock()
}

// portError ensures that callers can test for the end of a port.
func portError(err error) error {
	if errors.Is(err, ErrUnplugged) || errors.Is(err, ErrClosed) {
		return err
	}
	return fmt.Errorf("%w: %w", ErrUnplugged, err)
}

func (l *loop) publish() {
	l.stats.UnansweredBytes = l.win.bytes
	l.c.mu.Lock()
	l.c.stats = l.stats
	l.c.mu.Unlock()
}

func (l *loop) received(ch chunk) {
	if ch.err != nil {
		l.lose(portError(ch.err))
		return
	}
	l.stats.BytesReceived += uint64(len(ch.data))
	if l.phase != phaseLost {
		l.receive(ch.data)
	}
	select {
	case l.c.spare <- ch.data:
	default:
	}
}

func (l *loop) requests() {
	l.c.mu.Lock()
	inbox := l.c.inbox
	l.c.inbox = nil
	l.c.mu.Unlock()
	if l.phase == phaseLost {
		return
	}
	for _, r := range inbox {
		switch r.kind {
		case requestRun:
			l.prog = &program{id: r.id, src: r.src, last: l.win.end}
		case requestControl:
			l.controlLines = append(l.controlLines, controlLine{r.id, r.text})
		case requestCancel:
			if l.prog != nil {
				l.prog.cancelled = true
				l.dropLine()
			}
		case requestUrgent:
			l.lastNoise = l.now
			if l.phase == phaseRun && l.synced {
				l.startProbe()
			}
		}
	}
}

// step does what time and received bytes allow: synchronise, or keep the window full.
func (l *loop) step() {
	l.flushOldError()
	// One phase may follow another at once.
	for again := true; again && l.phase != phaseLost; {
		again = l.advance()
	}
	if l.phase == phaseLost {
		return
	}
	if due := l.nextWake(); l.armed.IsZero() || due.Before(l.armed) {
		l.timer.Reset(max(due.Sub(l.now), 0))
		l.armed = due
	}
}
