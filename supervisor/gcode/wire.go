package gcode

import (
	"bytes"
	"strconv"
)

// Form says how short a line is written for the wire. Every form has the same
// words in the same order with the same values.
//
// By the published rules of the language white space may stand anywhere in a line
// or nowhere, and a number needs no digit on one of the two sides of its point
// (NISTIR 6556, section 3.3, from memory). What boards make of it, as common
// practice, no source:
//   - Some find words by their letters, wherever they stand. All forms are alike.
//   - Some cut a line at its blanks. They need [Spaced].
//   - Some read numbers as the C library does, for which 1E2 is a hundred and 0X1
//     hexadecimal. They misread words that touch, unless a blank stands where
//     [Tight] leaves one.
//   - All read a number of fewer digits at least as exactly as a longer one.
//
// So Spaced is right for a board that nobody has tried.
type Form uint8

// Forms of a line.
const (
	Spaced Form = iota // one blank between words
	Tight              // blanks only where a board could misread words that touch
)

// AppendWire appends what of a line parsed without error goes on the wire, and
// returns the result: comments, line number and checksum are left out, and so are
// needless white space and zeros that say nothing (G01 X+1.50 Y-0.20 becomes
// G1 X1.5 Y-.2). The decimal value of a number never changes: its digits are
// copied, not computed. Texts stay as they are, and so do the parameters of
// commands that are not known to take numbers alone, where 007 may be a name.
// Nothing appended means that there is nothing to send. A line in wire form is
// its own wire form.
func (l *Line) AppendWire(dst []byte, f Form) []byte {
	switch l.Letter {
	case 0:
		return dst
	case '#':
		return append(dst, l.Text()...)
	}
	if f == Spaced {
		if l.wireLen == len(l.src) {
			return append(dst, l.src...)
		}
		if code := l.inForm(); code != nil {
			return append(dst, code...) // most lines of most jobs
		}
	}
	dst = append(dst, l.Letter)
	dst = strconv.AppendInt(dst, int64(l.Number), 10)
	if l.Sub != 0 {
		dst = append(dst, '.', '0'+byte(l.Sub))
	}
	if text := l.Text(); len(text) > 0 {
		dst = append(dst, ' ')
		return append(dst, text...)
	}
	if !takesNumbers(l.Letter, l.Number) {
		return l.appendWords(dst)
	}
	touches := f == Tight // the word before ends with a number
	for i := range l.words[:l.n] {
		w := &l.words[i]
		if !touches || w.Letter == 'E' || endsWithLoneZero(dst) {
			dst = append(dst, ' ')
		}
		dst = append(dst, w.Letter)
		number := l.src[w.from:w.to]
		if w.HasValue && !isShort(number) {
			dst = appendShort(dst, number)
		} else {
			dst = append(dst, number...)
		}
		touches = f == Tight && w.HasValue
	}
	return dst
}

// inForm returns the part of the line that holds its words, if that is in the
// form Spaced already, and nil otherwise.
func (l *Line) inForm() []byte {
	src, c := l.src, &l.cmd
	from, to := c.Column-1, c.to
	switch {
	case src[from] != l.Letter, c.from != c.Column, src[c.from] == '0' && to > c.from+1, l.textTo > l.textFrom,
		to > c.from+2 && src[to-2] == '.' && src[to-1] == '0', !takesNumbers(l.Letter, l.Number):
		return nil
	}
	for i := range l.words[:l.n] {
		w := &l.words[i]
		if w.Column != to+2 || src[to] != ' ' || src[to+1] != w.Letter || w.from != w.Column || w.HasValue && !isShort(src[w.from:w.to]) {
			return nil
		}
		to = w.to
	}
	return src[from:to]
}

// isShort reports whether a number is certain to be as short as it can be. A
// digit beyond 0 at both ends makes it so, and so does a whole number's first one.
func isShort(s []byte) bool {
	first := s[0]
	if first == '-' && len(s) > 1 {
		first = s[1]
	}
	last := s[len(s)-1]
	return first > '0' && (last > '0' || last == '0' && bytes.IndexByte(s, '.') < 0) || len(s) == 1
}

// endsWithLoneZero reports whether a line ends with the number 0: what follows
// could be taken for the sign of another base, as in 0X1.
func endsWithLoneZero(b []byte) bool {
	n := len(b)
	return n > 1 && b[n-1] == '0' && !isDigit(b[n-2]) && b[n-2] != '.'
}

// appendShort writes a decimal number with the fewest characters that have its
// value. The number has been read without error.
func appendShort(dst, s []byte) []byte {
	negative := s[0] == '-'
	if negative || s[0] == '+' {
		s = s[1:]
	}
	for len(s) > 1 && s[0] == '0' {
		s = s[1:]
	}
	// Zeros at the end, and a point there, mean nothing behind a point only.
	if end := s[len(s)-1]; end == '0' || end == '.' {
		point := len(s) - 1
		for point >= 0 && s[point] != '.' {
			point--
		}
		if point >= 0 {
			n := len(s)
			for s[n-1] == '0' {
				n--
			}
			if n == point+1 {
				n = point
			}
			s = s[:n]
		}
	}
	if len(s) == 0 || len(s) == 1 && s[0] == '0' {
		return append(dst, '0') // minus nothing is nothing
	}
	if negative {
		dst = append(dst, '-')
	}
	return append(dst, s...)
}

// takesNumbers reports whether all parameters of the command are numbers, or
// quoted texts, on every board: those of the trade's common words. Of others that
// is not known, and 007 may be a password.
func takesNumbers(letter byte, number int) bool {
	if letter != 'M' {
		return true
	}
	switch number {
	case 17, 18, 82, 83, 84, 104, 106, 107, 109, 140, 141, 190, 191, 201, 202, 203, 204, 205, 207, 208, 209, 220, 221, 400:
		return true
	}
	return false
}
