package serialio

import (
	"fmt"
)

// resume continues from the line that the board expects.
func (l *loop) resume() bool {
	if !l.synced {
		return l.setFirstNumber()
	}
	pos := l.win.locate(l.expected)
	back := pos >= 0 && (pos < l.win.certain || (l.expected <= 1 && pos < l.win.acked))
	if pos < 0 || (back && (!l.mustProbe || l.doubtful != l.expected || l.expected <= 1)) {
		return l.numberOutOfRange()
	}
	l.doubtful, l.doubts = -1, 0
	if !l.mustProbe {
		l.win.noteRejection(pos)
	}
	l.win.restart(pos)
	l.enter(phaseRun)
	l.singleLine = !l.win.allAccepted()
	l.progress, l.suspect = l.now, false
	if pos > l.mostAccepted {
		l.mostAccepted, l.strikes = pos, 0
	} else if l.singleLine {
		l.strikes++
	}
	if l.strikes > maxStrikes {
		l.lose(fmt.Errorf("%w: line %d was rejected %d times in a row; check the cable and the baud rate",
			ErrDesync, l.expected, l.strikes))
		return false
	}
	l.reportAccepted()
	return true
}

// numberOutOfRange handles a number that does not fit: the board is probed again with care, and
// believed once it names the same number twice. Two different ones are both damaged.
func (l *loop) numberOutOfRange() bool {
	if named, doubts := l.expected, l.doubts; l.doubtful != named && doubts < maxDoubts {
		l.startProbe()
		l.doubtful, l.doubts = named, doubts+1
		return true
	}
	wanted, expected := l.expected, l.win.expects(l.win.acked)
	if wanted <= 1 {
		l.lose(fmt.Errorf("%w: line %d was next", ErrRecount, expected))
	} else {
		l.lose(fmt.Errorf("%w: the board wants line %d, line %d is next", ErrDesync, wanted, expected))
	}
	return false
}

// setFirstNumber sets the line number at the start, or finds it set. A board that continues from an
// earlier connection keeps its number: until the caller has recorded what that number proves, it
// must also survive the end of this process.
func (l *loop) setFirstNumber() bool {
	pos := int64(-1)
	if l.win.peak > 0 {
		pos = l.win.locate(l.expected)
	}
	if pos < 0 {
		if l.win.peak == 0 && l.probesAccepted == 0 {
			l.lastNumber = max(l.expected-1, -1)
		}
		l.win.clear()
		l.reported, l.mostAccepted = 0, 0
		l.win.next = l.expected
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
	l.singleLine = !l.win.allAccepted()
	l.progress, l.suspect = l.now, false
	l.reportAccepted()
	return true
}

// hint describes what would make the connection faster, by what is known of the board.
func (l *loop) hint() string {
	switch {
	case l.win.limit > 0:
		return ""
	case l.win.reportedSlots > 1:
		return fmt.Sprintf("the board says that it holds %d lines, so up to %d bytes are sent ahead; "+
			"a window of the size of its receive buffer would be faster if that is larger", l.win.reportedSlots, smallestBuffer)
	default:
		return "one line is sent at a time, which is safe for any board; " +
			"a window of the size of the board's receive buffer (often 128 bytes, see its data sheet) would be faster"
	}
}

// firstNumber is the line number from which to continue at the start.
func (l *loop) firstNumber() int64 {
	if l.sawReset || l.lastNumber < StartNumber || l.lastNumber >= numberLimit {
		return StartNumber
	}
	return l.lastNumber
}
