package gcode

import (
	"fmt"
	"strconv"
)

// maxWords bounds a line. Boards hold some ten words in a line of 96 bytes.
const maxWords = 32

// SyntaxError is a line that cannot be read. Column counts bytes from 1.
type SyntaxError struct {
	Column  int
	Problem string
}

// Error returns the place and the problem.
func (e *SyntaxError) Error() string {
	return fmt.Sprintf("cannot read line: column %d: %s", e.Column, e.Problem)
}

// Word is a letter and its number.
type Word struct {
	Letter   byte // upper case
	HasValue bool
	Value    float64 // as written; units are not applied
	Column   int     // of the letter, from 1

	from, to int // the number as written
}

// Line is a parsed line. It refers to the bytes it was parsed from and can be reused for the next
// line.
type Line struct {
	// Letter, Number and Sub name the command; see [Effect].
	Letter byte
	Number int
	Sub    int

	src      []byte
	words    [maxWords]Word // parameters, command not included
	n        int
	seen     uint32 // letters among the parameters
	cmd      Word
	textFrom int // text parameter, when textTo > textFrom
	textTo   int
	numbered bool
	opaque   bool
	sumAt    int // first digit of the checksum, 0 without one; not kept for plain moves

	// Of lines read by ParseMove:
	plain   bool      // applyPlain can do it
	wireLen int       // of the form Spaced
	at      [26]uint8 // index of each letter in words, if it is there
}

// Words returns the parameters, without the command word. They are valid until
// the next Parse.
func (l *Line) Words() []Word { return l.words[:l.n] }

// Source returns the text of parameter k as it was written behind its letter: a
// number, a quoted text, or nothing. touches says that the letter follows the number
// before it without a blank, so that a board may read both as one number.
func (l *Line) Source(k int) (text []byte, touches bool) {
	w := &l.words[k]
	return l.src[w.from:w.to], k > 0 && l.words[k-1].HasValue && w.Column-1 == l.words[k-1].to
}

// Unseen reports whether the line moves axes, or shifts coordinates, by amounts that are not in it.
func (l *Line) Unseen() bool { return l.Letter == 'G' && movesUnseen(l.Number) && !l.Is('G', 92) }

// Text returns the text parameter of a command that takes one, such as M117, or
// the whole line of a named command.
func (l *Line) Text() []byte { return l.src[l.textFrom:l.textTo] }

// Has reports whether the parameter exists, with or without a number.
func (l *Line) Has(letter byte) bool { return l.seen&(1<<(letter-'A')) != 0 }

// Get returns the number of a parameter, and whether it exists with one.
func (l *Line) Get(letter byte) (float64, bool) {
	if !l.Has(letter) {
		return 0, false
	}
	for i := range l.words[:l.n] {
		if w := &l.words[i]; w.Letter == letter {
			return w.Value, w.HasValue
		}
	}
	return 0, false
}

// Opaque reports whether the arguments of the command are uninterpreted text: those of a command
// that is not followed here.
func (l *Line) Opaque() bool { return l.opaque }

// Is reports whether the command is letter and number.
func (l *Line) Is(letter byte, number int) bool {
	return l.Letter == letter && l.Number == number && l.Sub == 0
}

// Parse takes a line apart, without its line end. Comments in both styles, a
// leading N word and a trailing checksum are passed over. An empty line has
// Letter 0. Errors are of type *SyntaxError. Nothing is allocated without error.
func (l *Line) Parse(src []byte) error {
	if l.ParseMove(src) {
		return nil
	}
	return l.parse(src)
}

// parse is the general case of Parse.
func (l *Line) parse(src []byte) error {
	l.plain, l.wireLen = false, 0
	l.Letter, l.Number, l.Sub = 0, 0, 0
	l.src, l.n, l.seen, l.textFrom, l.textTo, l.numbered, l.opaque, l.sumAt = src, 0, 0, 0, 0, false, false, 0
	i, err := l.skip(0)
	if err != nil {
		return err
	}
	if i < len(src) && src[i] == '%' && trimRight(src, i+1, len(src)) == i+1 {
		return nil // a percent sign alone frames a program (RS274 practice, from memory)
	}
	if i < len(src) && upper(src[i]) == 'N' && i+1 < len(src) && !isLetter(src[i+1]) {
		end := i + 1
		for end < len(src) && (isSpace(src[end]) || isDigit(src[end])) {
			end++
		}
		if l.digitsBetween(i+1, end) {
			l.numbered = true
			if i, err = l.skip(end); err != nil {
				return err
			}
		}
	}
	if i >= len(src) || src[i] == '*' {
		return l.checksum(i)
	}
	if namedAt(src, i) || foreignAt(src, i) {
		l.Letter = '#'
		return l.text(i)
	}
	if i, err = l.command(i); err != nil {
		return err
	}
	if takesText(l.Letter, l.Number) {
		for i < len(src) && isSpace(src[i]) {
			i++
		}
		return l.text(i)
	}
	from := i
	if err = l.parameters(i); err == nil || !mayBeOpaque(l.Letter, l.Number) {
		return err
	}
	for from < len(src) && isSpace(src[from]) {
		from++
	}
	if c := src[from]; isDigit(c) || c == '.' { // M5 00 is M500 to boards that ignore blanks
		return err
	}
	l.n, l.seen, l.sumAt, l.opaque = 0, 0, 0, true
	return l.text(from)
}

// command reads the word that names the command.
func (l *Line) command(i int) (int, error) {
	var w Word
	i, err := l.word(i, &w)
	if err != nil {
		return i, err
	}
	if w.Letter != 'G' && w.Letter != 'M' && w.Letter != 'T' {
		return i, &SyntaxError{w.Column, "the line does not begin with a G, M or T word; write the command in every line"}
	}
	if !w.HasValue {
		return i, &SyntaxError{w.Column, "the command " + string(rune(w.Letter)) + " has no number"}
	}
	number, sub, ok := commandNumber(l.src[w.from:w.to])
	if !ok {
		return i, &SyntaxError{w.Column, "the number of the command is not understood"}
	}
	l.Letter, l.Number, l.Sub, l.cmd = w.Letter, number, sub, w
	return i, nil
}

// parameters reads what follows the command.
func (l *Line) parameters(i int) (err error) {
	for {
		if i, err = l.skip(i); err != nil {
			return err
		}
		if i >= len(l.src) || l.src[i] == '*' {
			return l.checksum(i)
		}
		if l.n == maxWords {
			return &SyntaxError{i + 1, "more than " + strconv.Itoa(maxWords) + " words in one line"}
		}
		w := &l.words[l.n]
		*w = Word{}
		if i, err = l.word(i, w); err != nil {
			return err
		}
		bit := uint32(1) << (w.Letter - 'A')
		if l.seen&bit != 0 {
			return &SyntaxError{w.Column, "the word " + string(rune(w.Letter)) + " is there twice"}
		}
		if w.Letter == 'G' || w.Letter == 'M' {
			return &SyntaxError{w.Column, "a second command in the line, which boards ignore; give it a line of its own"}
		}
		l.seen |= bit
		l.n++
	}
}

// skip skips white space and bracketed comments and stops at the end of the line, or at a
// semicolon.
func (l *Line) skip(i int) (int, error) {
	src := l.src
	for i < len(src) {
		switch c := src[i]; {
		case isSpace(c):
			i++
		case c == ';':
			return len(src), nil
		case c == '(':
			end := commentEnd(src, i)
			if end == 0 {
				return i, &SyntaxError{i + 1, "a comment is opened with ( and not closed"}
			}
			i = end
		default:
			return i, nil
		}
	}
	return i, nil
}

// commentEnd is where the comment ends that is opened at i, 0 when nothing closes it. Some
// comments have others in them; boards that end one at its first parenthesis get to see
// none of it.
func commentEnd(src []byte, i int) (end int) {
	for depth := 0; i < len(src); i++ {
		switch src[i] {
		case '(':
			depth++
		case ')':
			end = i + 1
			if depth--; depth == 0 {
				return end
			}
		}
	}
	return end
}
