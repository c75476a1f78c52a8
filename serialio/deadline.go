package serialio

import (
	"fmt"
	"strconv"
	"time"
)

// replyOverdue reports whether a line in flight has been unanswered for too long.
func (l *loop) replyOverdue() bool {
	return l.win.inFlight() > 0 && !l.now.Before(l.replyDue())
}

// replyDue returns when to stop waiting for the answer to the oldest line.
func (l *loop) replyDue() time.Time {
	limit := l.opt.ReplyLimit
	at := later(l.progress, l.lastBusy)
	stalled := at.Add(3 * limit) // an ok may be lost even if the board keeps reporting
	full := (l.win.limit > 0 || l.win.boardLines > 1) && !l.win.allows(probeFrameBytes)
	if full {
		limit *= 2 // the probe would not fit into the board's buffer
	}
	silent := later(at, l.lastHeard).Add(limit)
	if silent.After(stalled) {
		silent = stalled
	}
	if hurried := later(at, l.lastNoise).Add(min(garbledReplyLimit, l.opt.ReplyLimit)); l.suspect && !full && hurried.Before(silent) {
		return hurried
	}
	return silent
}

// checkSilence ends the connection if the board owes an answer and is silent, or sends nothing
// intelligible after opening.
func (l *loop) checkSilence() bool {
	if l.phase == phaseRun && l.win.inFlight() == 0 {
		return false
	}
	silent := !l.now.Before(l.silenceDue()) // unintelligible lines count as silence
	if !l.sensible && len(l.junk) > 0 && (silent || !l.now.Before(l.sensibleDue())) {
		l.lose(fmt.Errorf("%w: what it sends makes no sense: %s; check the baud rate and that this is the printer's port",
			ErrDesync, strconv.QuoteToASCII(string(l.junk))))
		return true
	}
	if silent {
		l.lose(fmt.Errorf("%w: nothing heard for %v", ErrSilent, l.opt.SilenceLimit))
		return true
	}
	return false
}

func (l *loop) sensibleDue() time.Time { return l.opened.Add(l.opt.BootWait + l.opt.NonsenseLimit) }

func (l *loop) silenceDue() time.Time {
	return later(l.progress, l.lastHeard).Add(l.opt.SilenceLimit)
}

// nextWake returns when step must run again if nothing happens.
func (l *loop) nextWake() time.Time {
	at := l.silenceDue()
	sooner := func(t time.Time) {
		if t.Before(at) {
			at = t
		}
	}
	switch l.phase {
	case phaseBoot:
		sooner(l.opened.Add(l.opt.BootWait))
	case phaseSettle, phaseClear:
		sooner(l.quietAt())
	case phaseProbe:
		if l.expected >= 0 || l.oksSinceProbe > 0 {
			sooner(l.quietAt())
		}
		sooner(l.retryAt)
	case phaseRun:
		if l.win.inFlight() == 0 {
			at = l.now.Add(time.Hour)
		} else {
			sooner(l.replyDue())
		}
	}
	if !l.sensible && l.phase != phaseRun {
		sooner(l.sensibleDue())
	}
	if l.heldError != nil {
		sooner(l.heldAt.Add(l.opt.QuietFor))
	}
	// Never in the past: a condition that time alone does not fulfil is checked again after a quiet
	// time.
	if !at.After(l.now) {
		at = l.now.Add(max(l.opt.QuietFor, time.Millisecond))
	}
	return at
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
