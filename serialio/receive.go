package serialio

import (
	"fmt"
	"strconv"
	"time"
)

// reception is what the loop has heard.
type reception struct {
	lastHeard time.Time // newest line that made sense
	lastNoise time.Time // newest byte that can belong to an answer
	lastBusy  time.Time // newest busy message, zero once something else came
	sensible  bool      // a line that made sense was heard at all
	suspect   bool      // a line was garbled since the newest acknowledgement
	junk      []byte    // beginning of what made no sense
	heldError *Reply    // an error text that may be the first half of a rejection
	heldAt    time.Time
}

const (
	maxJunk = 48
	// busyLasts is how long a busy message counts: boards commonly repeat it
	// every 2 s (common practice, no source).
	busyLasts = 5 * time.Second
)

// receive takes in bytes from the board.
func (l *loop) receive(b []byte) {
	noise := false
	before := len(l.in.part)
	l.in.feed(b, func(text []byte, cut bool) bool {
		r := Reply{Number: -1, PlannerFree: -1, BufferFree: -1}
		if !cut {
			r = ParseReply(text)
		} else {
			r.Text = printable(text)
		}
		if mayBeAnswer(r.Kind) {
			noise = true
		}
		l.countReply(&r, text, cut)
		l.handleReply(&r)
		return l.phase != phaseLost
	})
	if noise || len(l.in.part) > 0 || before > 0 {
		l.lastNoise = l.now
	}
	if !l.sensible && len(l.in.part) > 0 {
		l.keepJunk(l.in.part)
	}
	if l.phase != phaseLost {
		l.reportAccepted()
	}
}

// mayBeAnswer says whether such a line can be part of an answer. The others
// come at their own times and do not break the quiet.
func mayBeAnswer(k ReplyKind) bool {
	switch k {
	case ReplyOK, ReplyResend, ReplyError, ReplyHalted, ReplyStart, ReplyUnknown:
		return true
	default:
		return false
	}
}

// countReply keeps the totals and the signs of life.
func (l *loop) countReply(r *Reply, text []byte, cut bool) {
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
	} else if mayBeAnswer(r.Kind) && r.Kind != ReplyUnknown {
		l.lastBusy = time.Time{} // a line that makes no sense may be a busy message that was damaged
	}
}

func (l *loop) keepJunk(b []byte) {
	if len(l.junk) == 0 {
		l.junk = append(l.junk, b[:min(len(b), maxJunk)]...)
	}
}

// handleReply acts on one line.
func (l *loop) handleReply(r *Reply) {
	if r.Kind != ReplyResend {
		l.flushError()
	}
	switch r.Kind {
	case ReplyOK:
		if r.Temps.Any() || r.Text != "" {
			l.emit(Event{Kind: EventReport, Reply: *r})
		}
		l.handleOK(r)
	case ReplyResend:
		l.heldError = nil // it was the reason given for this rejection
		l.handleResend(r.Number)
	case ReplyError:
		copied := *r
		l.heldError, l.heldAt = &copied, l.now
	case ReplyHalted:
		l.emit(Event{Kind: EventReport, Reply: *r})
		l.lose(fmt.Errorf("%w: it said %s", ErrHalted, strconv.Quote(r.Text)))
	case ReplyStart:
		l.handleRestart()
	case ReplyWait:
		// The board is idle. What we sent a while ago is taken or lost, and in
		// either case no answer will come.
		if l.phase == phaseRun && l.win.inFlight() > 0 && l.now.Sub(l.win.at(l.win.sent-1).at) >= 2*l.opt.QuietFor &&
			l.now.Sub(l.lastNoise) >= l.opt.QuietFor {
			l.stats.Timeouts++
			l.startProbe()
			l.wasInFlight = 0 // an idle board owes no answers
		}
	case ReplyBusy:
	default:
		l.emit(Event{Kind: EventReport, Reply: *r})
	}
}

// flushError reports an error text that no request to send again followed.
func (l *loop) flushError() {
	if l.heldError != nil {
		l.emit(Event{Kind: EventReport, Reply: *l.heldError})
		l.heldError = nil
	}
}

func (l *loop) flushOldError() {
	if l.heldError != nil && l.now.Sub(l.heldAt) >= l.opt.QuietFor {
		l.flushError()
	}
}

// handleOK counts an acknowledgement.
func (l *loop) handleOK(r *Reply) {
	if r.PlannerFree >= 0 {
		l.stats.PlannerFree = r.PlannerFree
	}
	if r.BufferFree >= 0 {
		l.stats.BufferFree = r.BufferFree
	}
	if l.phase != phaseRun {
		l.countOKWhileLost()
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
		l.win.noteFreeSlots(r.BufferFree)
	}
	l.noteProgress()
}

// noteProgress notes that the board has taken more.
func (l *loop) noteProgress() {
	l.progress = l.now
	l.singleLine = false
	if l.win.acked > l.mostAccepted {
		l.mostAccepted = l.win.acked
		l.strikes = 0
	}
}
