package serialio

import "time"

// maySplit reports whether a line may be sent in pieces.
func (w *window) maySplit() bool { return w.limit > 0 && !w.whole }

// appendSendable appends to dst what may be sent now, at most most lines, and returns how many
// lines that ends. A piece of the next line may follow them.
func (w *window) appendSendable(dst []byte, most int, now time.Time) ([]byte, int) {
	n := 0
	for ; n < most && w.sent < w.end; n++ {
		s := w.at(w.sent)
		rest := s.frame[w.part:]
		if !w.allows(len(rest)) {
			if w.maySplit() {
				piece := cutPoint(rest, w.limit-w.bytes)
				dst = append(dst, rest[:piece]...)
				w.bytes += piece
				w.part += piece
				s.split = s.split || piece > 0
			}
			break
		}
		if w.part == 0 {
			s.split = false
		}
		dst = append(dst, rest...)
		s.at = now
		w.bytes += len(rest)
		w.sent++
		w.part = 0
	}
	w.peak = max(w.peak, w.sent)
	return dst, n
}

// cutPoint returns where the rest of a frame may be cut, at room at most; 0 if it may not. If the
// board discards the first piece with its unread bytes, the second arrives as a line of its own. It
// must not read as a command then: it begins inside a number, and contains no letter that begins a
// command.
func cutPoint(rest []byte, room int) int {
	for n := len(rest) - 1; n > 0; n-- {
		switch c := rest[n]; {
		case c|0x20 == 'g', c|0x20 == 'm', c|0x20 == 't', c|0x20 == 'n':
			return 0
		case n <= room && (isDigit(c) || c == '.'):
			return n
		}
	}
	return 0
}

// maxSplitRejections is how many rejections of divided lines are attributed to the wire.
const maxSplitRejections = 3

// noteRejection notes that the board rejected the line at pos. Some boards give up on a line that
// pauses, which shows in rejections of lines sent in pieces: from the third on lines are sent
// whole.
func (w *window) noteRejection(pos int64) {
	if pos > w.sent || pos < w.base || pos >= w.end || !w.at(pos).split {
		return
	}
	if w.splits++; w.splits >= maxSplitRejections {
		w.whole = true
	}
}
