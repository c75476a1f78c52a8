package serialio

import (
	"fmt"
	"time"
)

// recovery is the state of getting in step, and back into it.
type recovery struct {
	opened   time.Time
	sawStart bool // the board's start message came
	sawReset bool // for EventSynced
	restarts int

	lastNumber     int64     // the board's count before we set it, -1 not known
	mustProbe      bool      // the goal is to learn the number; else it is known
	expected       int64     // line the board wants, -1 not known
	phaseBegan     time.Time // when the phase began
	retryAt        time.Time // when a question unanswered is put again
	probes         int       // questions without answer
	probesAccepted int       // questions the board took instead of rejecting
	confirming     bool      // the question confirms what is believed; see confirm
	doubtful       int64     // number out of reach that the board named, and was asked for again; -1 none
	doubts         int       // times in a row that it named one

	unreadBytes   int  // bytes of lines that the board may not have read when we fell out of step
	probeBytes    int  // bytes of questions that it has not answered
	wasInFlight   int  // lines unanswered when we fell out of step
	oks           int  // acknowledgements since then that can be theirs
	rejectionOKs  int  // acknowledgements still due to rejections themselves
	okAfterResend int  // 1 if this board says ok after a request to send again
	oksSinceProbe int  // plain oks since the question was put, or since its rejection
	singleLine    bool // the next line travels alone

	progress     time.Time // newest acknowledgement, or first line after none in flight
	mostAccepted int64     // most lines ever taken
	strikes      int       // recoveries in a row that got no line further
}

const (
	maxStrikes        = 20
	maxProbes         = 10
	maxProbesAccepted = 3
	maxRestarts       = 5
	maxDoubts         = 5
	// owedOKWait is how long we wait for the oks of lines that the board has taken
	// but not answered before it rejected a later one. They come as its planner
	// empties; counted for other lines later they would shift the count.
	owedOKWait = 2 * time.Second
	// garbledReplyLimit is the reply limit after a line was garbled that may have been the reply.
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

// handleResend acts on a request to send again, -1 if its number was unreadable.
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
		l.unreadBytes, l.probeBytes = 0, max(l.probeBytes-probeFrameBytes, 0) // what lay before the question is read
		if number >= 0 {
			l.expected = number
		} else {
			l.suspect = true
		}
	}
}

// countOKWhileLost books an ok that comes while nothing is being sent: it belongs
// to the rejection, or to a line taken earlier.
func (l *loop) countOKWhileLost() {
	l.oksSinceProbe++
	if l.rejectionOKs > 0 {
		l.rejectionOKs--
	} else {
		l.oks++
	}
}

// handleRestart acts on the board's start message.
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

// owedOKs returns how many acknowledgements of lines taken before the rejection
// are still to come.
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

// quietSince returns when the line fell silent, and whether that is known: not
// while something is being written.
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

// quietAt returns when the line will count as quiet if nothing more comes.
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

// advance moves the present phase on. It returns true if another may follow at once.
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
