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

	lastNumber int64     // the board's count before we set it, -1 not told
	asking     bool      // the goal is to learn the number; else it is known
	wanted     int64     // line the board wants, -1 not told
	mark       time.Time // when the phase began
	retryAt    time.Time // when a question unanswered is put again
	tries      int       // questions without answer
	taken      int       // questions the board took instead of rejecting
	quick      bool      // the question confirms what is believed; see confirm
	doubted    bool      // a number out of reach was named; asked once more

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
	// owedLasts is how long we wait for the oks of lines that the board has taken
	// but not answered before it rejected a later one. They come as its planner
	// empties; counted for other lines later they would shift the count.
	owedLasts = 2 * time.Second
	// hurry is the reply limit after a line was garbled that may have been the reply.
	hurry = time.Second
)

// questions are numbers that cannot be next, numbering being kept below
// numberLimit. A board that took one, since it was next by chance or the board
// checks no numbers, is asked with another.
var questions = [maxTaken]int64{1_999_999_999, 1_888_888_888, 1_777_777_777}

// The question is a report of temperatures, so that a board that takes it does no harm.
const questionText = "M105"

// learn leaves the running phase to ask the board what it has taken.
func (l *loop) learn() {
	l.doubted, l.quick, l.tries, l.taken = false, false, 0, 0
	l.leave(true, -1)
}

// confirm asks the board what it has taken after everything was acknowledged:
// nothing torn can be on the line, so it need not fall quiet first.
func (l *loop) confirm() {
	l.learn()
	l.quick = !l.suspect
	if l.quick {
		l.ask()
	}
}

// leave stops sending and begins to wait for quiet.
func (l *loop) leave(asking bool, wanted int64) {
	if l.phase == phaseRun {
		l.flight, l.oks, l.credit = l.win.inFlight(), 0, 0
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

// ask puts the question.
func (l *loop) ask() {
	l.wanted, l.heardOKs, l.suspect = -1, 0, false
	l.c.w.queue(AppendFrame(nil, questions[l.taken%maxTaken], questionText))
	wait := l.opt.ReplyLimit
	for range min(l.tries, 5) {
		wait *= 2 // the board is at something long; do not fill its buffer meanwhile
	}
	l.retryAt = l.now.Add(wait)
	l.enter(phaseProbe)
}

// answer waits for the rejection that the question must bring.
func (l *loop) answer() bool {
	switch {
	case l.wanted >= 0 && l.quick && l.win.locate(l.wanted) == l.win.end && l.heardOKs >= l.okAfter:
		return l.resume() // as believed, and the whole answer is here
	case l.wanted >= 0 && l.quiet():
		if !l.synced {
			l.okAfter = min(l.heardOKs, 1)
		}
		return l.resume()
	case l.wanted >= 0:
		return false
	case l.heardOKs > 0 && l.flight == 0 && !l.suspect && l.quiet():
		// No line was in flight, so this ok is for the question itself: the
		// board took it, or its request to send again was lost on the way.
		l.taken++
		if l.taken >= maxTaken {
			l.lose(fmt.Errorf("%w: the board takes lines whatever their number; switch its line number check on", ErrDesync))
			return false
		}
	case l.now.Before(l.retryAt):
		return false
	default:
		l.tries++
		if l.tries >= maxTries {
			l.lose(fmt.Errorf("%w: the board talks but answers no numbered line", ErrDesync))
			return false
		}
	}
	l.flight, l.quick = 0, false
	l.enter(phaseSettle)
	return true
}

// resume goes on from the line the board wants.
func (l *loop) resume() bool {
	if !l.synced {
		return l.resumeFirst()
	}
	pos := l.win.locate(l.wanted)
	back := pos >= 0 && (pos < l.win.certain || (l.wanted <= 1 && pos < l.win.acked))
	if pos < 0 || (back && (!l.asking || !l.doubted || l.wanted <= 1)) {
		return l.outOfReach()
	}
	l.doubted = false
	if !l.asking {
		l.win.refused(pos)
	}
	l.win.restart(pos)
	l.enter(phaseRun)
	l.alone = !l.win.settled()
	l.progress, l.suspect = l.now, false
	if pos > l.best {
		l.best, l.strikes = pos, 0
	} else if l.alone {
		l.strikes++
	}
	if l.strikes > maxStrikes {
		l.lose(fmt.Errorf("%w: line %d was rejected %d times in a row; check the cable and the baud rate",
			ErrDesync, l.wanted, l.strikes))
		return false
	}
	l.settle()
	return true
}

// outOfReach acts on a number that does not fit: the board is asked once more
// with care, and then it is taken at its word.
func (l *loop) outOfReach() bool {
	if !l.doubted {
		l.learn()
		l.doubted = true
		return true
	}
	wanted, expected := l.wanted, l.win.expects(l.win.acked)
	if wanted <= 1 {
		l.lose(fmt.Errorf("%w: line %d was next", ErrRecount, expected))
	} else {
		l.lose(fmt.Errorf("%w: the board wants line %d, line %d is next", ErrDesync, wanted, expected))
	}
	return false
}

// resumeFirst sets the line number at the start, or finds that it is set. A
// board that goes on from an earlier connection keeps the number it has: until
// the caller has made durable what it proves, it must survive our own end too.
func (l *loop) resumeFirst() bool {
	pos := int64(-1)
	if l.win.peak > 0 {
		pos = l.win.locate(l.wanted)
	}
	if pos < 0 {
		if l.win.peak == 0 && l.taken == 0 {
			l.lastNumber = max(l.wanted-1, -1)
		}
		l.win.clear()
		l.reported, l.best = 0, 0
		l.win.next = l.wanted
		l.win.pushBarrier(ownInternal, 0, l.firstNumber())
		pos = 0
	}
	l.strikes++
	if l.strikes > maxStrikes {
		l.lose(fmt.Errorf("%w: the board does not let us set its line number", ErrDesync))
		return false
	}
	l.win.restart(pos)
	l.enter(phaseRun)
	l.alone = !l.win.settled()
	l.progress, l.suspect = l.now, false
	l.settle()
	return true
}

// hint says what would make the line faster, by what is known of the board.
func (l *loop) hint() string {
	switch {
	case l.win.limit > 0:
		return ""
	case l.win.said > 1:
		return fmt.Sprintf("the board says that it holds %d lines, so up to %d bytes are sent ahead; "+
			"a window of the size of its receive buffer would be faster if that is larger", l.win.said, smallestBuffer)
	default:
		return "one line is sent at a time, which is safe for any board; " +
			"a window of the size of the board's receive buffer (often 128 bytes, see its data) would be faster"
	}
}

// firstNumber is the line number from which to go on at the start.
func (l *loop) firstNumber() int64 {
	if l.sawReset || l.lastNumber < StartNumber || l.lastNumber >= numberLimit {
		return StartNumber
	}
	return l.lastNumber
}
