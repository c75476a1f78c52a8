package gcode

import (
	"math"
	"strconv"
)

// maxValue bounds every number in a file. No board's numbers reach it, and sums
// of such numbers stay finite.
const maxValue = 1e12

var pow10 = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// word reads one letter with its number, or with a quoted text, or alone.
func (l *Line) word(i int, w *Word) (int, error) {
	src := l.src
	c := src[i]
	if !isLetter(c) {
		return i, badByte(i, c)
	}
	w.Letter, w.Column = upper(c), i+1
	i++
	k := i
	if k < len(src) && (isSpace(src[k]) || src[k] == '(') {
		var err error
		if k, err = l.skip(k); err != nil {
			return i, err
		}
	}
	w.from, w.to = i, i
	if k >= len(src) || isLetter(src[k]) && !isNotNumber(src[k:]) || src[k] == '*' || src[k] == ';' {
		return k, nil
	}
	if src[k] == '"' {
		for end := k + 1; end < len(src); end++ {
			if src[end] == '"' {
				w.from, w.to = k, end+1
				return end + 1, nil
			}
		}
		return i, &SyntaxError{k + 1, "a text is opened with \" and not closed"}
	}
	return l.number(k, w)
}

// number reads a decimal number. An exponent is refused: boards disagree on
// whether the e ends the number or belongs to it.
func (l *Line) number(i int, w *Word) (int, error) {
	src := l.src
	from, negative := i, false
	if src[i] == '-' || src[i] == '+' {
		negative = src[i] == '-'
		i++
	}
	var mantissa uint64
	digits, places, point := 0, 0, false
	for ; i < len(src); i++ {
		c := src[i]
		if c == '.' && !point {
			point = true
			continue
		}
		if !isDigit(c) {
			break
		}
		digits++
		if digits <= 15 {
			mantissa = mantissa*10 + uint64(c-'0')
			if point {
				places++
			}
		}
	}
	if digits == 0 {
		return i, notNumber(src, from)
	}
	if i < len(src) && (src[i] == 'e' && i+1 < len(src) && (isDigit(src[i+1]) || src[i+1] == '-' || src[i+1] == '+')) {
		return i, &SyntaxError{i + 1, "a number has an exponent; write it out, or put a space before the E word"}
	}
	if i < len(src) && !isLetter(src[i]) && !isSpace(src[i]) && src[i] != '*' && src[i] != ';' && src[i] != '(' {
		return i, badByte(i, src[i])
	}
	value := float64(mantissa) / pow10[places]
	if digits > 15 {
		var err error
		if value, err = strconv.ParseFloat(string(src[from:i]), 64); err != nil {
			return i, &SyntaxError{from + 1, "a number is too large"}
		}
		value = math.Abs(value)
	}
	if value > maxValue {
		return i, &SyntaxError{from + 1, "a number is too large"}
	}
	if negative {
		value = -value
	}
	w.Value, w.HasValue, w.from, w.to = value, true, from, i
	return i, nil
}

// commandNumber reads the digits of a command: 1, 01, 92.1.
func commandNumber(s []byte) (number, sub int, ok bool) {
	i := 0
	for ; i < len(s) && isDigit(s[i]); i++ {
		if number > 99999 {
			return 0, 0, false
		}
		number = number*10 + int(s[i]-'0')
	}
	if i == 0 {
		return 0, 0, false
	}
	if i == len(s) {
		return number, 0, true
	}
	if s[i] == '.' && i+2 == len(s) && isDigit(s[i+1]) {
		return number, int(s[i+1] - '0'), true
	}
	return 0, 0, false
}

func badByte(i int, c byte) error {
	switch {
	case c == 0:
		return &SyntaxError{i + 1, "a NUL byte; the file is damaged"}
	case c < 0x20 || c >= 0x7f:
		return &SyntaxError{i + 1, "the byte 0x" + strconv.FormatUint(uint64(c), 16) + " is not G-code"}
	}
	return &SyntaxError{i + 1, "the character " + strconv.QuoteRune(rune(c)) + " does not belong here"}
}

func notNumber(src []byte, from int) error {
	end := from
	for end < len(src) && end < from+12 && !isSpace(src[end]) && src[end] != ';' {
		end++
	}
	return &SyntaxError{from + 1, strconv.Quote(string(src[from:end])) + " is not a number"}
}

// isNotNumber catches the words for not-a-number and infinity, which would
// otherwise read as a row of letters.
func isNotNumber(s []byte) bool {
	if len(s) < 3 {
		return false
	}
	a, b, c := upper(s[0]), upper(s[1]), upper(s[2])
	return a == 'N' && b == 'A' && c == 'N' || a == 'I' && b == 'N' && c == 'F'
}

func trimRight(src []byte, from, to int) int {
	for to > from && isSpace(src[to-1]) {
		to--
	}
	return to
}

func isSpace(c byte) bool { return c == ' ' || c == '\t' || c == '\r' || c == '\n' }
func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func isLetter(c byte) bool { c |= 0x20; return c >= 'a' && c <= 'z' }

func upper(c byte) byte {
	if c >= 'a' && c <= 'z' {
		return c - 0x20
	}
	return c
}
