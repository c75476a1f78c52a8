package serialio

import (
	"fmt"
	"strconv"
	"time"
)

// reception is what has been received.
type reception struct {
	lastHeard time.Time // newest intelligible line
	lastNoise time.Time // newest byte that may belong to an answer
	lastBusy  time.Time // newest busy message; zero once something else has arrived
	sensible  bool      // any intelligible line was received
	suspect   bool      // a line was garbled since the newest acknowledgement
	junk      []byte    // beginning of the unintelligible bytes
	heldError *Reply    // an error text that may be the first half of a rejection
	heldAt    time.Time
}

const (
	maxJunk = 48
	// busyLasts is how long a busy message counts: boards commonly repeat it
	// every 2 s (common practice, no source).
	busyLasts = 5 * time.Second
)

// receive handles bytes from the board.
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

// mayBeAnswer reports whether such a line may be part of an answer. Others arrive at any time and
// do not break the quiet.
func mayBeAnswer(k ReplyKind) bool {
	switch k {
	case ReplyOK, ReplyResend, ReplyError, ReplyHalted, ReplyStart, ReplyUnknown:
		return true
	default:
		return false
	}
}

// countReply updates totals and signs of life.
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
		l.lastBusy = time.Time{} // an unintelligible line may be a damaged busy message
	}
}

func (l *loop) keepJunk(b []byte) {
	if len(l.junk) == 0 {
		l.junk = append(l.junk, b[:min(len(b), maxJunk)]...)
	}
}

// handleReply handles one line.
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
		l.heldError = nil // it was the reason for this rejection
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
		// The board is idle. What was sent a while ago is accepted or lost; either way no answer
		// will come.
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

// flushError reports an error text that was not followed by a resend request.
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
		return // one too many
	}
	if r.Number < 0 {
		l.win.ack()
	} else if !l.win.ackNumber(r.Number) {
		l.suspect = true // its number is damaged; the next one covers more lines
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

// noteProgress notes that the board has accepted more.
func (l *loop) noteProgress() {
	l.progress = l.now
	l.singleLine = false
	if l.win.acked > l.mostAccepted {
		l.mostAccepted = l.win.acked
		l.strikes = 0
	}
}
