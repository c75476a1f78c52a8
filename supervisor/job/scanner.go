package job

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"io"
)

// maxRepeatedBytes bounds the total of repeats inside a body: hours of the fastest link, days of
// most parts, and seconds of inspection.
const maxRepeatedBytes = 200_000_000

// maxNesting is how deep repeat markers may be nested, including the outermost (common practice of
// boards, no source).
const maxNesting = 10

// loop is an open repeat inside the body.
type loop struct {
	at, line  int64 // of the line after the marker
	opened    int64 // line of the marker
	remaining int64
}

// scanner reads the lines of the file in the order in which they are sent, including repeats inside
// the part.
type scanner struct {
	ctx      context.Context
	notes    *notes
	src      *source
	n        int64 // number of the line last read
	lines    int64 // number of the last line of the file so far
	once     int64 // offset up to which lines were read at least once
	loops    []loop
	repeated int64 // bytes read again
	limit    int64 // bound on repeated
}

// newScanner reads f, of the given length, with a small buffer for a small file.
func newScanner(ctx context.Context, f io.ReadSeeker, bytes, limit int64, n *notes) scanner {
	step := int(min(readBytes, max(bytes/2+1, aheadReadBytes))) // the room is twice as much
	s := scanner{ctx: ctx, notes: n, src: sourceOf(f, step, 0, -1, 0), limit: limit}
	s.src.whole = sha256.New()
	return s
}

// next reads the next line into l; io.EOF after the last, errLong for one that is too long.
func (s *scanner) next(l *line) error {
	text, from, to, err := s.src.next()
	if err == io.EOF {
		return err
	}
	s.n++
	l.n, l.from, l.to, l.text, l.fresh = s.n, from, to, text, to > s.once
	if l.fresh {
		s.once, s.lines = to, s.n
	}
	return err
}

// onRead calls f with the bytes read, after each read; its error ends the pass.
func (s *scanner) onRead(f func(done int64) error) { s.src.filled = f }

// digest is the SHA-256 of all bytes read, and their number.
func (s *scanner) digest() (sum string, bytes int64) {
	return hex.EncodeToString(s.src.whole.Sum(nil)), s.src.wholeAt
}

// last is the number of the file's last line.
func (s *scanner) last() int64 { return s.lines }

// sum is the CRC of the file up to an offset that was the last line's beginning or end.
func (s *scanner) sum(at int64) uint32 { return s.src.sum(at) }

// sumAll is the CRC of all lines.
func (s *scanner) sumAll() uint32 { return s.src.sum(s.once) }

// part reads bytes of the file from an offset without disturbing the pass; nil if that is
// impossible.
func (s *scanner) part(from, bytes int64) *source {
	at, ok := s.src.f.(io.ReaderAt)
	if !ok {
		return nil
	}
	return sourceOf(io.NewSectionReader(at, from, bytes), aheadReadBytes, 0, -1, 0)
}

// ahead reads what follows an offset, as far as anything looks ahead.
func (s *scanner) ahead(from int64) *source { return s.part(from, aheadBytes) }

const aheadBytes = 1 << 20

// innermostRepeat is the line in which the innermost open repeat begins, 0 for none.
func (s *scanner) innermostRepeat() int64 {
	if k := len(s.loops); k > 0 {
		return s.loops[k-1].opened
	}
	return 0
}

// endRepeats drops all open repeats.
func (s *scanner) endRepeats() { s.loops = nil }

// open begins a repeat inside the body after the line; outer repeats do not count as nesting here.
func (s *scanner) open(l *line, outer int) {
	count, counted := l.Get('L')
	switch {
	case len(s.loops)+outer == maxNesting:
		s.notes.problem(l.n, "repeat-nesting", "unroll the innermost repeats when slicing", "M808 is nested more than %d deep", maxNesting)
		count = 1
	case !counted || count == 0:
		s.notes.problem(l.n, "repeat-endless", "give the count as M808 L and a number", "a repeat inside the part is endless")
		count = 1
	case count > maxRepeatedBytes:
		s.tooLarge(l.n)
		count = 1
	case count < 0 || count != float64(int64(count)):
		s.notes.problem(l.n, "repeat-count", "give a whole number", "a repeat inside the part has the count %g", count)
		count = 1
	}
	s.loops = append(s.loops, loop{at: l.to, line: l.n + 1, opened: l.n, remaining: int64(count) - 1})
}

// closeRepeat ends the innermost repeat at the line, or goes back to its beginning.
func (s *scanner) closeRepeat(l *line) error {
	top := &s.loops[len(s.loops)-1]
	s.repeated += l.to - top.at
	if top.remaining > 0 && s.repeated > s.limit {
		s.tooLarge(top.opened)
		for k := range s.loops {
			s.loops[k].remaining = 0
		}
	}
	if top.remaining == 0 {
		s.loops = s.loops[:len(s.loops)-1]
		return nil
	}
	top.remaining--
	s.n = top.line - 1
	if err := s.ctx.Err(); err != nil {
		return err
	}
	return s.src.seek(top.at)
}

func (s *scanner) tooLarge(n int64) {
	s.notes.problem(n, "repeat-size", "repeat less inside the part and order more parts", "the repeats inside the part add up to more than %d bytes", s.limit)
}
