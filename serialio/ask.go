package serialio

import (
	"fmt"
)

// questions are numbers that cannot be next, numbering being kept below
// numberLimit. A board that took one, since it was next by chance or the board
// checks no numbers, is asked with another.
var questions = [maxTaken]int64{1_999_999_999, 1_888_888_888, 1_777_777_777}

// The question is a report of temperatures, so that a board that takes it does no harm.
const questionText = "M105"

// learn leaves the running phase to ask the board what it has taken.
func (l *loop) learn() {
	l.doubtful, l.doubts, l.quick, l.tries, l.taken = -1, 0, false, 0, 0
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

// ask puts the question.
func (l *loop) ask() {
	l.wanted, l.heardOKs, l.suspect = -1, 0, false
	l.c.w.queue(AppendFrame(nil, questions[l.taken%maxTaken], questionText))
	l.asked += questionBytes
	l.patience()
	l.enter(phaseProbe)
}

// patience sets how long the answer is waited for.
func (l *loop) patience() {
	wait := l.opt.ReplyLimit
	for range min(l.tries, 5) {
		wait *= 2 // the board is at something long; do not fill its buffer meanwhile
	}
	l.retryAt = l.now.Add(wait)
}

// questionBytes is what a question puts on the wire, with the line feed before it.
var questionBytes = frameLen(questions[0], len(questionText)) + 1

// room says whether the board can hold one more question beside what it may not have
// read yet: the lines in flight when we fell out of step, and questions without answer.
func (l *loop) room() bool {
	unread := l.lines + l.asked
	if l.win.limit > 0 {
		return unread+questionBytes <= l.win.limit
	}
	return l.asked == 0 && l.win.holds <= 1 || unread+questionBytes <= smallestBuffer
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
		l.asked = max(l.asked-questionBytes, 0)
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
		if l.tries%2 == 1 && !l.room() {
			// It may still be at something long, with the question in its buffer. An answer
			// lost on the way shows in nothing, so every other time it is asked all the same.
			l.patience()
			return false
		}
	}
	l.flight, l.quick = 0, false
	l.enter(phaseSettle)
	return true
}
