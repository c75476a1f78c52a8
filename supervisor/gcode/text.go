package gcode

import "bytes"

// takesText reports whether the command is followed by text instead of words: a message, a file
// name, or the name of an object.
func takesText(letter byte, number int) bool {
	if letter != 'M' {
		return false
	}
	switch number {
	case 0, 1, 16, 23, 28, 30, 32, 33, 36, 117, 118, 486, 928:
		return true
	}
	return false
}

// namedAt reports whether a command of the board's own begins at i: a name of
// at least three letters instead of a letter and a number.
func namedAt(src []byte, i int) bool {
	if i+3 > len(src) {
		return false
	}
	for _, c := range src[i : i+3] {
		if !isLetter(c) && c != '_' {
			return false
		}
	}
	return true
}

// foreignAt reports whether a line begins at i that is none of the language: a word for the
// program that sends (@...), a tool without a number (T?, Tx, T-1), or an argument without
// a command. Axes and feed are not among those: some boards move by them alone.
func foreignAt(src []byte, i int) bool {
	if i+1 >= len(src) {
		return false
	}
	c, next := upper(src[i]), src[i+1]
	switch {
	case c == '@':
		return isLetter(next)
	case c == 'T':
		return next == '?' || next == '-' || isLetter(next) && (i+2 == len(src) || !isDigit(src[i+2]))
	case bytes.IndexByte([]byte("PSLDHQ"), c) >= 0:
		return isDigit(next)
	}
	return false
}

// Named reports whether the line is a command that the board knows by a name.
func (l *Line) Named() bool { return l.Letter == '#' && namedAt(l.Text(), 0) }

// mayBeOpaque reports whether a command does the same here whatever its arguments are: it is
// not followed, and nothing depends on them.
func mayBeOpaque(letter byte, number int) bool {
	switch letter {
	case 'G':
		switch number {
		case 12, 26, 27, 29, 34, 35, 76, 425:
			return true
		}
	case 'M':
		switch number {
		case 18, 82, 83, 84, 92, 104, 106, 107, 109, 140, 141, 145, 190, 191, 200, 206, 211, 220, 221, 290, 306, 400, 428, 568, 808:
			return false
		}
		for _, w := range settingWords {
			if w == number {
				return false
			}
		}
		return true
	}
	return false
}

// Second returns the rest of an opaque text from a second command on, which some boards
// carry out and others pass over; nothing where there is none.
func (l *Line) Second() []byte {
	if !l.opaque {
		return nil
	}
	text := l.Text()
	for k := range text {
		switch c := upper(text[k]); {
		case c != 'G' && c != 'M' && c != 'T', k > 0 && !isSpace(text[k-1]), k+1 == len(text) || !isDigit(text[k+1]):
		default:
			return text[k:]
		}
	}
	return nil
}

// text takes the rest of the line from i as text: up to a semicolon, white
// space trimmed, and of a numbered line without the checksum. Control bytes are
// refused: on the wire they would break the frame.
func (l *Line) text(i int) error {
	end := i
	for end < len(l.src) && l.src[end] != ';' {
		end++
	}
	end = trimRight(l.src, i, end)
	if l.numbered {
		k := end
		for k > i && isDigit(l.src[k-1]) {
			k--
		}
		if k < end && k > i && l.src[k-1] == '*' {
			if err := l.summed(k, end); err != nil {
				return err
			}
			end = trimRight(l.src, i, k-1)
		}
	}
	for k, c := range l.src[i:end] {
		if c < 0x20 && c != '\t' || c == 0x7f {
			return badByte(i+k, c)
		}
	}
	l.textFrom, l.textTo = i, end
	return nil
}

func (l *Line) digitsBetween(from, to int) bool {
	for _, c := range l.src[from:to] {
		if isDigit(c) {
			return true
		}
	}
	return false
}
