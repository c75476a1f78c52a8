package serialio

import (
	"fmt"
	"time"
)

// recovery is the state of synchronising with the board.
type recovery struct {
	opened   time.Time
	sawStart bool // the board's start message came
	sawReset bool // for EventSynced
	restarts int

	lastNumber     int64     // the board's line number before we set it, -1: unknown
	mustProbe      bool      // the board's number must be found out by a probe
	expected       int64     // number of the line that the board expects, -1: unknown
	phaseBegan     time.Time // when the phase began
	retryAt        time.Time // when an unanswered probe is repeated
	probes         int       // probes without answer
	probesAccepted int       // probes that the board accepted instead of rejecting
	confirming     bool      // the probe only confirms what is believed; see confirmAccepted
	doubtful       int64     // impossible number that the board has named and must repeat; -1: none
	doubts         int       // times in a row that it has named one

	unreadBytes   int  // bytes of lines that the board may not have read when synchronisation was lost
	probeBytes    int  // bytes of probes that it has not answered
	wasInFlight   int  // unanswered lines when synchronisation was lost
	oks           int  // acknowledgements since then that may be theirs
	rejectionOKs  int  // acknowledgements still due for rejections
	okAfterResend int  // 1 if this board sends ok after a resend request
	oksSinceProbe int  // oks since the probe, or since its rejection
	singleLine    bool // one line in flight at a time

	progress     time.Time // newest acknowledgement, or first line when none was in flight
	mostAccepted int64     // most lines ever accepted
	strikes      int       // recoveries in a row without progress
}

const (
	maxStrikes        = 20
	maxProbes         = 10
	maxProbesAccepted = 3
	maxRestarts       = 5
	maxDoubts         = 5
	// owedOKWait is how long to wait for the oks of lines that the board accepted and did not
	// answer before it rejected a later one. They come as its planner empties; counted for other
	// lines later they would shift the count.
	owedOKWait = 2 * time.Second
	// garbledReplyLimit replaces the reply limit after a garbled line that may have been the reply.
	garbledReplyLimit = time.Second
)

// startResync stops sending and begins to wait for quiet.
func (l *loop) startResync(asking bool, wanted int64) {
	if l.phase == phaseRun {
		l.wasInFlight, l.oks, l.rejectionOKs = l.win.inFlight(), 0, 0
		l.unreadBytes, l.probeBytes = l.win.bytes, 0
		if l.wasInFlight == 0 {
			l.progress = l.now // nothing was owed until now
		}
	}
	l.c.w.drop()
	l.singleLine = true
	l.mustProbe, l.expected = asking, wanted
	l.enter(phaseSettle)
}

func (l *loop) enter(p phase) {
	l.phase, l.phaseBegan = p, l.now
}

// handleResend handles a resend request; number is -1 if unreadable.
func (l *loop) handleResend(number int64) {
	switch l.phase {
	case phaseRun:
		if number < 0 {
			l.startProbe()
		} else {
			l.startResync(false, number)
			l.stats.Resends++
		}
		l.rejectionOKs += l.okAfterResend
	case phaseSettle, phaseClear:
		l.rejectionOKs += l.okAfterResend
		if number >= 0 && !l.mustProbe {
			l.expected = number // a burst names the same number; noise may not
		}
	case phaseProbe:
		l.rejectionOKs += l.okAfterResend
		l.oksSinceProbe = 0
		l.unreadBytes, l.probeBytes = 0, max(l.probeBytes-probeFrameBytes, 0) // what came before the probe has been read
		if number >= 0 {
			l.expected = number
		} else {
			l.suspect = true
		}
	}
}

// countOKWhileLost counts an ok that arrives while nothing is being sent: it is for the rejection,
// or for a line accepted earlier.
func (l *loop) countOKWhileLost() {
	l.oksSinceProbe++
	if l.rejectionOKs > 0 {
		l.rejectionOKs--
	} else {
		l.oks++
	}
}

// handleRestart handles the board's start message.
func (l *loop) handleRestart() {
	if l.synced {
		l.lose(fmt.Errorf("%w: it sent its start message", ErrReset))
		return
	}
	l.restarts++
	if l.restarts > maxRestarts {
		l.lose(fmt.Errorf("%w: %d times in a row; check its supply", ErrReset, l.restarts))
		return
	}
	l.sawStart, l.sawReset = true, true
	l.win.clear()
	l.reported, l.mostAccepted, l.strikes = 0, 0, 0
	l.unreadBytes, l.probeBytes = 0, 0
	l.c.w.drop()
	l.lastNumber = -1
	l.startProbe()
	l.wasInFlight = 0
}

// owedOKs is how many acknowledgements of lines accepted before the rejection are still due.
func (l *loop) owedOKs() int {
	if l.expected < 0 {
		return 0
	}
	pos := l.win.locate(l.expected)
	if pos < 0 {
		return 0
	}
	return min(int(pos-l.win.acked), l.wasInFlight) - l.oks
}

// quietSince returns when the line fell silent, false while something is being written.
func (l *loop) quietSince() (time.Time, bool) {
	idle, since := l.c.w.idle()
	at := l.lastNoise
	if since.After(at) {
		at = since
	}
	if l.phaseBegan.After(at) {
		at = l.phaseBegan
	}
	return at, idle
}

// quietAt returns when the line counts as quiet if nothing more arrives.
func (l *loop) quietAt() time.Time {
	at, idle := l.quietSince()
	if !idle {
		at = l.now
	}
	wait := l.opt.QuietFor
	if l.phase != phaseClear && l.owedOKs() > 0 {
		wait = max(wait, owedOKWait)
	}
	at = at.Add(wait)
	if busy := l.lastBusy.Add(busyLasts); !l.lastBusy.IsZero() && busy.After(at) {
		at = busy
	}
	return at
}

func (l *loop) quiet() bool { return !l.now.Before(l.quietAt()) }

// advance takes the next step of the present phase. It returns true if another may follow at once.
func (l *loop) advance() bool {
	if l.checkSilence() {
		return false
	}
	switch l.phase {
	case phaseBoot:
		if l.sawStart || l.now.Sub(l.opened) >= l.opt.BootWait {
			l.startProbe()
			return true
		}
	case phaseSettle:
		if l.quiet() {
			l.c.w.queue([]byte{'\n'})
			l.enter(phaseClear)
		}
	case phaseClear:
		if !l.quiet() {
			return false
		}
		if !l.mustProbe {
			return l.resume()
		}
		l.sendProbe()
	case phaseProbe:
		return l.awaitProbe()
	case phaseRun:
		if l.replyOverdue() {
			l.stats.Timeouts++
			l.startProbe()
			return true
		}
		l.fillWindow()
		return l.phase != phaseRun || l.endProgram()
	}
	return false
}
