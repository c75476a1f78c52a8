package serialio

import (
	"fmt"
	"strconv"
	"time"
)

// hearing is what the loop has heard.
type hearing struct {
	lastHeard time.Time // newest line that made sense
	lastNoise time.Time // newest byte that can belong to an answer
	lastBusy  time.Time // newest busy message, zero once something else came
	sensible  bool      // a line that made sense was heard at all
	suspect   bool      // a line was garbled since the newest acknowledgement
	junk      []byte    // beginning of what made no sense
	held      *Reply    // an error text that may be the first half of a rejection
	heldAt    time.Time
}

const (
	maxJunk = 48
	// busyLasts is how long a busy message counts: boards commonly repeat it
	// every 2 s (common practice, no source).
	busyLasts = 5 * time.Second
)

// hear takes in bytes from the board.
func (l *loop) hear(b []byte) {
	noise := false
	before := len(l.in.part)
	l.in.feed(b, func(text []byte, cut bool) bool {
		r := Reply{Number: -1, PlannerFree: -1, BufferFree: -1}
		if !cut {
			r = ParseReply(text)
		} else {
			r.Text = printable(text)
		}
		if significant(r.Kind) {
			noise = true
		}
		l.account(&r, text, cut)
		l.reply(&r)
		return l.phase != phaseLost
	})
	if noise || len(l.in.part) > 0 || before > 0 {
		l.lastNoise = l.now
	}
	if !l.sensible && len(l.in.part) > 0 {
		l.keepJunk(l.in.part)
	}
	if l.phase != phaseLost {
		l.settle()
	}
}

// significant says whether such a line can be part of an answer. The others
// come at their own times and do not break the quiet.
func significant(k ReplyKind) bool {
	switch k {
	case ReplyOK, ReplyResend, ReplyError, ReplyHalted, ReplyStart, ReplyUnknown:
		return true
	default:
		return false
	}
}

// account keeps the totals and the signs of life.
func (l *loop) account(r *Reply, text []byte, cut bool) {
	garbled := r.Kind == ReplyUnknown && (cut || !isText(text))
	if r.Kind == ReplyUnknown {
		l.stats.Garbled++
		if garbled {
			l.suspect = true
		}
		if !l.sensible {
			l.keepJunk(text)
		}
	}
	if !garbled {
		l.lastHeard = l.now
		l.stats.LastHeard = l.now
		if r.Kind != ReplyUnknown {
			l.sensible = true
		}
	}
	if r.Kind == ReplyBusy {
		l.lastBusy = l.now
	} else if significant(r.Kind) && r.Kind != ReplyUnknown {
		l.lastBusy = time.Time{} // a line that makes no sense may be a busy message that was damaged
	}
}

func (l *loop) keepJunk(b []byte) {
	if len(l.junk) == 0 {
		l.junk = append(l.junk, b[:min(len(b), maxJunk)]...)
	}
}

// reply acts on one line.
func (l *loop) reply(r *Reply) {
	if r.Kind != ReplyResend {
		l.flushError()
	}
	switch r.Kind {
	case ReplyOK:
		if r.Temps.Any() || r.Text != "" {
			l.emit(Event{Kind: EventReport, Reply: *r})
		}
		l.okay(r)
	case ReplyResend:
		l.held = nil // it was the reason given for this rejection
		l.rejected(r.Number)
	case ReplyError:
		copied := *r
		l.held, l.heldAt = &copied, l.now
	case ReplyHalted:
		l.emit(Event{Kind: EventReport, Reply: *r})
		l.lose(fmt.Errorf("%w: it said %s", ErrHalted, strconv.Quote(r.Text)))
	case ReplyStart:
		l.restarted()
	case ReplyWait:
		// The board is idle. What we sent a while ago is taken or lost, and in
		// either case no answer will come.
		if l.phase == phaseRun && l.win.inFlight() > 0 && l.now.Sub(l.win.at(l.win.sent-1).at) >= 2*l.opt.QuietFor &&
			l.now.Sub(l.lastNoise) >= l.opt.QuietFor {
			l.stats.Timeouts++
			l.learn()
			l.flight = 0 // an idle board owes no answers
		}
	case ReplyBusy:
	default:
		l.emit(Event{Kind: EventReport, Reply: *r})
	}
}

// flushError reports an error text that no request to send again followed.
func (l *loop) flushError() {
	if l.held != nil {
		l.emit(Event{Kind: EventReport, Reply: *l.held})
		l.held = nil
	}
}

func (l *loop) heldTooLong() {
	if l.held != nil && l.now.Sub(l.heldAt) >= l.opt.QuietFor {
		l.flushError()
	}
}

// okay counts an acknowledgement.
func (l *loop) okay(r *Reply) {
	if r.PlannerFree >= 0 {
		l.stats.PlannerFree = r.PlannerFree
	}
	if r.BufferFree >= 0 {
		l.stats.BufferFree = r.BufferFree
	}
	if l.phase != phaseRun {
		l.okayWhileLost()
		return
	}
	before := l.win.acked
	if before == l.win.sent {
		return // one too many; nothing waits for it
	}
	if r.Number < 0 {
		l.win.ack()
	} else if !l.win.ackNumber(r.Number) {
		l.suspect = true // its number is damaged; the next one settles more
	}
	if l.win.acked == before {
		return
	}
	for pos := before; pos < l.win.acked; pos++ {
		l.stats.RoundTrips.observe(l.now.Sub(l.win.at(pos).at))
	}
	l.suspect = false
	if r.BufferFree >= 0 {
		l.win.free(r.BufferFree)
	}
	l.progressed()
}

// progressed notes that the board has taken more.
func (l *loop) progressed() {
	l.progress = l.now
	l.alone = false
	if l.win.acked > l.best {
		l.best = l.win.acked
		l.strikes = 0
	}
}
