package serialio

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
)

// Checksum returns the exclusive or of all bytes of b. In a numbered line b
// runs from the N up to, not including, the star.
//
// The sum does not see two bytes that changed places, and lets one random line
// in 256 through: see [Conn] for what is done about that.
func Checksum(b []byte) byte {
	var sum byte
	for _, c := range b {
		sum ^= c
	}
	return sum
}

// AppendFrame appends "N<number> <text>*<checksum>" and a line feed to dst and
// returns the result. It does not look into text: see [CheckText].
func AppendFrame[T ~string | ~[]byte](dst []byte, number int64, text T) []byte {
	start := len(dst)
	dst = append(dst, 'N')
	dst = strconv.AppendInt(dst, number, 10)
	dst = append(dst, ' ')
	dst = append(dst, text...)
	sum := Checksum(dst[start:])
	dst = append(dst, '*')
	dst = strconv.AppendInt(dst, int64(sum), 10)
	return append(dst, '\n')
}

// frameLen returns an upper bound of the length of the frame of a text of n
// bytes under the given number, in bytes, line feed included.
func frameLen(number int64, n int) int {
	digits := 1
	for v := number; v >= 10; v /= 10 {
		digits++
	}
	return 1 + digits + 1 + n + 1 + 3 + 1
}

// parseInt reads a plain decimal number without sign, leading zeros or more
// than 18 digits, the whole of b.
func parseInt(b []byte) (int64, bool) {
	if len(b) == 0 || len(b) > 18 || (b[0] == '0' && len(b) > 1) {
		return 0, false
	}
	var v int64
	for _, c := range b {
		if c < '0' || c > '9' {
			return 0, false
		}
		v = v*10 + int64(c-'0')
	}
	return v, true
}

// maxFrameBytes bounds a frame when no window says less. Boards commonly keep
// 96 characters of a line (common practice, no source); what is longer than
// this cannot be meant.
const maxFrameBytes = 256

// CheckText returns an error if text cannot be sent as one numbered line: if it
// is empty, or holds a control character or a star, which would begin the checksum.
func CheckText(text []byte) error {
	if len(bytes.TrimSpace(text)) == 0 {
		return errors.New("cannot send an empty line")
	}
	for i, c := range text {
		if c == '*' || c == 0x7f || (c < ' ' && c != '\t') {
			return fmt.Errorf("cannot send line %.40q: byte %d (%#02x) must not occur in a numbered line", text, i+1, c)
		}
	}
	return nil
}

// lineNumberWord reports whether text is a command M110 and which number it sets.
func lineNumberWord(text []byte) (number int64, is bool, err error) {
	t := bytes.TrimSpace(text)
	if len(t) < 4 || (t[0] != 'M' && t[0] != 'm') || string(t[1:4]) != "110" {
		return 0, false, nil
	}
	rest := t[4:]
	if len(rest) > 0 && rest[0] >= '0' && rest[0] <= '9' {
		return 0, false, nil // M1100 and the like
	}
	rest = bytes.TrimSpace(rest)
	if len(rest) > 1 && (rest[0] == 'N' || rest[0] == 'n') {
		if v, ok := parseInt(rest[1:]); ok && v < numberLimit {
			return v, true, nil
		}
	}
	return 0, true, fmt.Errorf("cannot set the line number with %.40q: write M110 N<number below %d>", text, numberLimit)
}

// waitsForHeat reports whether text is a command at which a board waits for a temperature: of the nozzle, of all
// heaters, of bed or chamber (common practice, no source).
func waitsForHeat(text []byte) bool {
	t := bytes.TrimLeft(text, " \t")
	if len(t) == 0 || t[0]|0x20 != 'm' {
		return false
	}
	t = bytes.TrimLeft(t[1:], " \t0")
	n := 0
	for n < len(t) && t[n] >= '0' && t[n] <= '9' {
		n++
	}
	switch string(t[:n]) {
	case "109", "116", "190", "191":
		return true
	}
	return false
}

// numberLimit is where numbering begins again at 0. Boards commonly count in 32
// bits with sign, and the numbers of a query must stay out of reach.
const numberLimit = 1_000_000_000

func appendLineNumberWord(dst []byte, number int64) []byte {
	return strconv.AppendInt(append(dst, "M110 N"...), number, 10)
}
