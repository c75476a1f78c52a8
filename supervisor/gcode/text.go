package gcode

// takesText reports whether what follows the command is text and no words: a
// message to show, a file name, or the name of an object.
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
