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

	lastNumber int64     // the board's count before we set it, -1 not known
	asking     bool      // the goal is to learn the number; else it is known
	wanted     int64     // line the board wants, -1 not known
	mark       time.Time // when the phase began
	retryAt    time.Time // when a question unanswered is put again
	tries      int       // questions without answer
	taken      int       // questions the board took instead of rejecting
	quick      bool      // the question confirms what is believed; see confirm
	doubtful   int64     // number out of reach that the board named, and was asked for again; -1 none
	doubts     int       // times in a row that it named one

	lines    int  // bytes of lines that the board may not have read when we fell out of step
	asked    int  // bytes of questions that it has not answered
	flight   int  // lines unanswered when we fell out of step
	oks      int  // acknowledgements since then that can be theirs
	credit   int  // acknowledgements still due to rejections themselves
	okAfter  int  // 1 if this board says ok after a request to send again
	heardOKs int  // plain oks since the question was put, or since its rejection
	alone    bool // the next line travels alone

	progress time.Time // newest acknowledgement, or first line after none in flight
	best     int64     // most lines ever taken
	strikes  int       // recoveries in a row that got no line further
}

const (
	maxStrikes  = 20
	maxTries    = 10
	maxTaken    = 3
	maxRestarts = 5
	maxDoubts   = 5
	// owedLasts is how long we wait for the oks of lines that the board has taken
	// but not answered before it rejected a later one. They come as its planner
	// empties; counted for other lines later they would shift the count.
	owedLasts = 2 * time.Second
	// hurry is the reply limit after a line was garbled that may have been the reply.
	hurry = time.Second
)

// leave stops sending and begins to wait for quiet.
func (l *loop) leave(asking bool, wanted int64) {
	if l.phase == phaseRun {
		l.flight, l.oks, l.credit = l.win.inFlight(), 0, 0
		l.lines, l.asked = l.win.bytes, 0
		if l.flight == 0 {
			l.progress = l.now // nothing was owed until now
		}
	}
	l.c.w.drop()
	l.alone = true
	l.asking, l.wanted = asking, wanted
	l.enter(phaseSettle)
}

func (l *loop) enter(p phase) {
	l.phase, l.mark = p, l.now
}

// rejected acts on a request to send again, -1 if its number was unreadable.
func (l *loop) rejected(number int64) {
	switch l.phase {
	case phaseRun:
		if number < 0 {
			l.learn()
		} else {
			l.leave(false, number)
			l.stats.Resends++
		}
		l.credit += l.okAfter
	case phaseSettle, phaseClear:
		l.credit += l.okAfter
		if number >= 0 && !l.asking {
			l.wanted = number // a burst names the same number; noise may not
		}
	case phaseProbe:
		l.credit += l.okAfter
		l.heardOKs = 0
		l.lines, l.asked = 0, max(l.asked-questionBytes, 0) // what lay before the question is read
		if number >= 0 {
			l.wanted = number
		} else {
			l.suspect = true
		}
	}
}

// okayWhileLost books an ok that comes while nothing is being sent: it belongs
// to the rejection, or to a line taken earlier.
func (l *loop) okayWhileLost() {
	l.heardOKs++
	if l.credit > 0 {
		l.credit--
	} else {
		l.oks++
	}
}

// restarted acts on the board's start message.
func (l *loop) restarted() {
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
	l.reported, l.best, l.strikes = 0, 0, 0
	l.lines, l.asked = 0, 0
	l.c.w.drop()
	l.lastNumber = -1
	l.learn()
	l.flight = 0
}

// owed returns how many acknowledgements of lines taken before the rejection
// are still to come.
func (l *loop) owed() int {
	if l.wanted < 0 {
		return 0
	}
	pos := l.win.locate(l.wanted)
	if pos < 0 {
		return 0
	}
	return min(int(pos-l.win.acked), l.flight) - l.oks
}

// quietSince returns when the line fell silent, and whether that is known: not
// while something is being written.
func (l *loop) quietSince() (time.Time, bool) {
	idle, since := l.c.w.idle()
	at := l.lastNoise
	if since.After(at) {
		at = since
	}
	if l.mark.After(at) {
		at = l.mark
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
	if l.phase != phaseClear && l.owed() > 0 {
		wait = max(wait, owedLasts)
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
	if l.overdue() {
		return false
	}
	switch l.phase {
	case phaseBoot:
		if l.sawStart || l.now.Sub(l.opened) >= l.opt.BootWait {
			l.learn()
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
		if !l.asking {
			return l.resume()
		}
		l.ask()
	case phaseProbe:
		return l.answer()
	case phaseRun:
		if l.late() {
			l.stats.Timeouts++
			l.learn()
			return true
		}
		l.pump()
		return l.phase != phaseRun || l.endProgram()
	}
	return false
}
