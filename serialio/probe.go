package serialio

import (
	"fmt"
)

// probeNumbers are numbers that cannot be next, numbering being kept below
// numberLimit. A board that took one, since it was next by chance or the board
// checks no numbers, is asked with another.
var probeNumbers = [maxProbesAccepted]int64{1_999_999_999, 1_888_888_888, 1_777_777_777}

// The question is a report of temperatures, so that a board that takes it does no harm.
const probeText = "M105"

// startProbe leaves the running phase to ask the board what it has taken.
func (l *loop) startProbe() {
	l.doubtful, l.doubts, l.confirming, l.probes, l.probesAccepted = -1, 0, false, 0, 0
	l.startResync(true, -1)
}

// confirmAccepted asks the board what it has taken after everything was acknowledged:
// nothing torn can be on the line, so it need not fall quiet first.
func (l *loop) confirmAccepted() {
	l.startProbe()
	l.confirming = !l.suspect
	if l.confirming {
		l.sendProbe()
	}
}

// sendProbe puts the question.
func (l *loop) sendProbe() {
	l.expected, l.oksSinceProbe, l.suspect = -1, 0, false
	l.c.w.queue(AppendFrame(nil, probeNumbers[l.probesAccepted%maxProbesAccepted], probeText))
	l.probeBytes += probeFrameBytes
	l.armProbeTimer()
	l.enter(phaseProbe)
}

// armProbeTimer sets how long the answer is waited for.
func (l *loop) armProbeTimer() {
	wait := l.opt.ReplyLimit
	for range min(l.probes, 5) {
		wait *= 2 // the board is at something long; do not fill its buffer meanwhile
	}
	l.retryAt = l.now.Add(wait)
}

// probeFrameBytes is what a question puts on the wire, with the line feed before it.
var probeFrameBytes = frameLen(probeNumbers[0], len(probeText)) + 1

// roomForProbe says whether the board can hold one more question beside what it may not have
// read yet: the lines in flight when we fell out of step, and questions without answer.
func (l *loop) roomForProbe() bool {
	unread := l.unreadBytes + l.probeBytes
	if l.win.limit > 0 {
		return unread+probeFrameBytes <= l.win.limit
	}
	return l.probeBytes == 0 && l.win.boardLines <= 1 || unread+probeFrameBytes <= smallestBuffer
}

// awaitProbe waits for the rejection that the question must bring.
func (l *loop) awaitProbe() bool {
	switch {
	case l.expected >= 0 && l.confirming && l.win.locate(l.expected) == l.win.end && l.oksSinceProbe >= l.okAfterResend:
		return l.resume() // as believed, and the whole answer is here
	case l.expected >= 0 && l.quiet():
		if !l.synced {
			l.okAfterResend = min(l.oksSinceProbe, 1)
		}
		return l.resume()
	case l.expected >= 0:
		return false
	case l.oksSinceProbe > 0 && l.wasInFlight == 0 && !l.suspect && l.quiet():
		// No line was in flight, so this ok is for the question itself: the
		// board took it, or its request to send again was lost on the way.
		l.probesAccepted++
		l.probeBytes = max(l.probeBytes-probeFrameBytes, 0)
		if l.probesAccepted >= maxProbesAccepted {
			l.lose(fmt.Errorf("%w: the board takes lines whatever their number; switch its line number check on", ErrDesync))
			return false
		}
	case l.now.Before(l.retryAt):
		return false
	default:
		l.probes++
		if l.probes >= maxProbes {
			l.lose(fmt.Errorf("%w: the board talks but answers no numbered line", ErrDesync))
			return false
		}
		if l.probes%2 == 1 && !l.roomForProbe() {
			// It may still be at something long, with the question in its buffer. An answer
			// lost on the way shows in nothing, so every other time it is asked all the same.
			l.armProbeTimer()
			return false
		}
	}
	l.wasInFlight, l.confirming = 0, false
	l.enter(phaseSettle)
	return true
}
