package gcode

import "strconv"

// Checksum returns the number behind the * at the end of a line parsed without error,
// and the one that its bytes make: all from the first that is no blank up to the *,
// combined by exclusive or, as in line framing. ok is false for a line without a *.
//
// Lines are read and sent whether or not the two agree, since the number in a file is
// not the one that goes on the wire. Where they differ, the line is not what its writer
// took the sum of.
func (l *Line) Checksum() (written, computed uint8, ok bool) {
	if l.wireLen > 0 || l.sumAt == 0 { // a plain move has none
		return 0, 0, false
	}
	for _, c := range l.src[l.sumAt:] {
		if !isDigit(c) {
			break
		}
		written = written*10 + c - '0' // at most 255, or the line would not have parsed
	}
	from := 0
	for isSpace(l.src[from]) {
		from++
	}
	for _, c := range l.src[from : l.sumAt-1] {
		computed ^= c
	}
	return written, computed, true
}

// checksum accepts what may stand at the end of a line.
func (l *Line) checksum(i int) error {
	if i >= len(l.src) {
		return nil
	}
	from := i + 1
	for i = from; i < len(l.src) && isDigit(l.src[i]); i++ {
	}
	end, err := l.skip(i)
	if err != nil {
		return err
	}
	if i == from || end < len(l.src) {
		return &SyntaxError{from, "a checksum is a * and digits at the end of the line"}
	}
	return l.summed(from, i)
}

// summed notes the checksum whose digits are from..to.
func (l *Line) summed(from, to int) error {
	if v, err := strconv.ParseUint(string(l.src[from:to]), 10, 64); err != nil || v > 255 {
		return &SyntaxError{from, "a checksum is at most 255"}
	}
	l.sumAt = from
	return nil
}
