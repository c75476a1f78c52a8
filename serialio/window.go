package serialio

import "time"

// owner is who sent a line.
type owner uint8

const (
	ownProgram  owner = iota // a line from the running program's source
	ownControl               // a control line
	ownInternal              // our own setting of the line number
)

// slot is one numbered line in the window.
type slot struct {
	frame    []byte // as it goes on the wire; memory reused from line to line
	number   int64  // number it carries
	expected int64  // number that the board names when it rejects this line
	owner    owner
	split    bool      // it was last sent in more than one piece
	id       uint64    // of an ask
	at       time.Time // when the last of it was handed to the writer
}

// keepAccepted is how many accepted lines are kept for resending. An acknowledgement counted by
// mistake (a damaged request, an ok too many) shows in the next resend request, a few lines later
// at most.
const keepAccepted = 16

// window numbers the lines and tracks what became of each. It is pure, and owned by one goroutine.
// Positions count lines from the beginning of the connection:
//
//	base <= acked <= sent <= end     kept | in flight | to be sent (again)
//
// Bytes in flight never exceed limit. Lines are sent in pieces if only part of one fits: the
// board's receive buffer holds bytes, and part of a small one would stay empty otherwise. With
// limit 0 lines are sent whole, one at a time or as many as the board has shown to hold.
type window struct {
	limit         int
	whole         bool   // lines are sent in one piece only
	splits        int    // rejections of lines that were sent in pieces
	boardLines    int    // with limit 0: lines that the board holds, as it reported; see noteFreeSlots
	reportedSlots int    // free command slots as last reported while nothing was in flight, -1 never
	part          int    // bytes of the line at sent that were sent already
	slots         []slot // by position modulo length, a power of two
	base          int64  // oldest line kept
	acked         int64  // lines accepted by the board, as far as known
	sent          int64  // lines on the wire, in the present attempt
	end           int64  // lines numbered
	peak          int64  // highest sent ever: the board cannot have accepted more
	barrier       int64  // newest line that set the number, -1: none; earlier numbers are void
	certain       int64  // lines that the board has confirmed by number, in turn or by resend request
	skipped       bool   // a number has skipped lines in flight, whose own answers may still arrive
	bytes         int    // in flight, part included
	next          int64  // number of the next new line
}

func newWindow(limit int) *window {
	if limit < minWindow {
		limit = 0
	}
	n := 32
	for n < limit/9+2*keepAccepted {
		n *= 2
	}
	return &window{limit: limit, slots: make([]slot, n), barrier: -1, reportedSlots: -1}
}

func (w *window) at(pos int64) *slot { return &w.slots[pos&int64(len(w.slots)-1)] }

// inFlight returns how many lines are unanswered on the wire.
func (w *window) inFlight() int { return int(w.sent - w.acked) }

// allAccepted reports whether the board has accepted every numbered line.
func (w *window) allAccepted() bool { return w.acked == w.end }

// maxText returns the longest text that can ever be sent, in bytes.
func (w *window) maxText() int {
	limit := w.limit
	if limit == 0 {
		limit = maxFrameBytes
	}
	return limit - frameLen(w.next, 0)
}

// minWindow is the smallest window: the frames that set the number and probe for it must fit. No
// board's receive buffer is smaller.
const minWindow = 48

// smallestBuffer is what a ring of 64 bytes holds, the smallest receive buffer
// that boards commonly have (common practice, no source).
const smallestBuffer = 63

// maxBoardLines is the largest number of lines that a board is believed to hold: its reply has no
// checksum.
const maxBoardLines = 16

// noteFreeSlots applies the number of free command slots that the board reported when it answered
// the last line in flight. A board with a queue accepts that many lines at once. Two equal answers
// in a row are needed, and unread bytes never exceed the smallest buffer.
func (w *window) noteFreeSlots(slots int) {
	if w.sent != w.acked || w.part > 0 {
		return
	}
	slots = min(slots, maxBoardLines)
	if slots == w.reportedSlots || slots < w.boardLines {
		w.boardLines = slots
	}
	w.reportedSlots = slots
}

// allows reports whether n more bytes that end a line may be sent now.
func (w *window) allows(n int) bool {
	if w.limit > 0 {
		return w.bytes+n <= w.limit
	}
	return w.acked == w.sent || (w.inFlight() < w.boardLines && w.bytes+n <= smallestBuffer)
}

// fits reports whether a new line with a text of n bytes, or a piece of it, can be numbered and
// sent at once. Nothing follows a barrier until the board has confirmed it by number: behind one
// acknowledged by mistake, a line could seem accepted under the old count.
func (w *window) fits(n int) bool {
	if w.sent != w.end || w.barrier >= w.certain || w.end-w.base >= int64(len(w.slots)) {
		return false
	}
	return w.allows(frameLen(w.next, n)) || (w.maySplit() && w.bytes < w.limit)
}

// push numbers a new line. The caller has called fits.
func (w *window) push(o owner, id uint64, text []byte) {
	w.add(o, id, w.next, w.next, text)
	w.next++
}

// pushBarrier adds the line that makes the board continue from number. The caller has waited until
// everything before is accepted.
func (w *window) pushBarrier(o owner, id uint64, number int64) {
	text := appendLineNumberWord(make([]byte, 0, 16), number)
	w.barrier = w.end
	w.add(o, id, number, w.next, text)
	w.next = number + 1
}

func (w *window) add(o owner, id uint64, number, want int64, text []byte) {
	s := w.at(w.end)
	s.frame = AppendFrame(s.frame[:0], number, text)
	s.number, s.expected, s.owner, s.id, s.split = number, want, o, id, false
	w.end++
}

// ack counts a plain acknowledgement for the oldest line in flight. It returns false if there is
// none.
func (w *window) ack() bool {
	if w.acked == w.sent {
		return false
	}
	w.ackTo(w.acked + 1)
	return true
}

func (w *window) ackTo(pos int64) {
	for ; w.acked < pos; w.acked++ {
		w.bytes -= len(w.at(w.acked).frame)
	}
	w.base = max(w.base, w.acked-keepAccepted)
}

// ackNumber acknowledges everything up to the line with this number. It returns false if no line
// sent carries it. An answer has no checksum: one flipped bit turns 71 into 79. So a number that
// skips lines whose answers did not arrive is believed, but nothing is certain by it alone. Nor by
// the next in turn: the skipped answers may still be on their way, and one of them, damaged, may
// name the one line in flight. All is certain once a second line in turn is answered by its own
// number.
func (w *window) ackNumber(number int64) bool {
	for pos := w.sent - 1; pos >= max(w.base, w.barrier); pos-- {
		if w.at(pos).number != number {
			continue
		}
		switch {
		case pos < w.acked:
			return true // acknowledged already
		case pos > w.acked:
			w.skipped = true
		case w.skipped:
			w.skipped = false
		case pos > w.barrier: // an ok from before a barrier may carry the barrier's number
			w.certain = pos + 1
		}
		w.ackTo(pos + 1)
		return true
	}
	return false
}

// locate returns the position of the line that the board expects next, or -1 if there is no such
// line among those kept, in flight or next. If a barrier's number makes two positions look alike,
// both leave the board with the same number, and the later one is meant.
func (w *window) locate(number int64) int64 {
	for pos := w.peak; pos >= max(w.base, w.barrier); pos-- {
		if w.expects(pos) == number {
			return pos
		}
	}
	return -1
}

// expects returns the number that the board expects after exactly pos lines.
func (w *window) expects(pos int64) int64 {
	if pos < w.end {
		return w.at(pos).expected
	}
	return w.next
}

// restart trusts the board's number: pos lines are accepted, later ones are not, nothing is in
// flight or unread. The number has no checksum. If it is beyond what was ever acknowledged, it is
// certain only once repeated: sent from there, the board accepts the next line, or names the one
// that it expects.
func (w *window) restart(pos int64) {
	if pos <= w.acked {
		w.certain = pos
	}
	w.acked, w.sent = pos, pos
	w.bytes, w.part = 0, 0
	w.skipped = false
	w.base = max(w.base, w.acked-keepAccepted)
}

// clear resets everything except how lines may be sent: the board has lost its count.
func (w *window) clear() {
	*w = window{limit: w.limit, whole: w.whole, splits: w.splits, slots: w.slots, barrier: -1, reportedSlots: -1}
}
