package serialio

import (
	"fmt"
)

// probeNumbers are line numbers that cannot be next, since numbering stays below numberLimit. A
// board that accepts one, because it was next by chance or because it does not check numbers, is
// probed with another.
var probeNumbers = [maxProbesAccepted]int64{1_999_999_999, 1_888_888_888, 1_777_777_777}

// The probe requests a temperature report, so that a board that accepts it does no harm.
const probeText = "M105"

// startProbe leaves the running phase to find out which lines the board has accepted.
func (l *loop) startProbe() {
	l.doubtful, l.doubts, l.confirming, l.probes, l.probesAccepted = -1, 0, false, 0, 0
	l.startResync(true, -1)
}

// confirmAccepted probes after everything was acknowledged: no partial line can be on the wire, so
// the line need not be quiet first.
func (l *loop) confirmAccepted() {
	l.startProbe()
	l.confirming = !l.suspect
	if l.confirming {
		l.sendProbe()
	}
}

// sendProbe sends a line with an impossible number. Its rejection names the number that the board
// expects.
func (l *loop) sendProbe() {
	l.expected, l.oksSinceProbe, l.suspect = -1, 0, false
	l.c.w.queue(AppendFrame(nil, probeNumbers[l.probesAccepted%maxProbesAccepted], probeText))
	l.probeBytes += probeFrameBytes
	l.armProbeTimer()
	l.enter(phaseProbe)
}

// armProbeTimer sets how long to wait for the answer.
func (l *loop) armProbeTimer() {
	wait := l.opt.ReplyLimit
	for range min(l.probes, 5) {
		wait *= 2 // the board is busy with something long; do not fill its buffer in the meantime
	}
	l.retryAt = l.now.Add(wait)
}

// probeFrameBytes is what a probe puts on the wire, with the line feed before it.
var probeFrameBytes = frameLen(probeNumbers[0], len(probeText)) + 1

// roomForProbe reports whether the board's buffer can hold one more probe besides what it may not
// have read yet: the lines in flight when synchronisation was lost, and unanswered probes.
func (l *loop) roomForProbe() bool {
	unread := l.unreadBytes + l.probeBytes
	if l.win.limit > 0 {
		return unread+probeFrameBytes <= l.win.limit
	}
	return l.probeBytes == 0 && l.win.boardLines <= 1 || unread+probeFrameBytes <= smallestBuffer
}

// awaitProbe waits for the rejection that the probe must cause.
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
		// No line was in flight, so this ok is for the probe: the board accepted it, or its resend
		// request was lost on the way.
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
			// It may still be busy with something long, with the probe in its buffer. A lost answer
			// shows nowhere, so every other time the probe is repeated anyway.
			l.armProbeTimer()
			return false
		}
	}
	l.wasInFlight, l.confirming = 0, false
	l.enter(phaseSettle)
	return true
}
