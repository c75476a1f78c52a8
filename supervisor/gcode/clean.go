package gcode

import "strconv"

// AppendClean appends a line parsed without error as lists show it, and returns
// the result: as written, but without comments, line number and checksum, and
// with words one space apart in capital letters. Texts are left alone. Nothing
// appended means that the line holds no command.
func (l *Line) AppendClean(dst []byte) []byte {
	switch l.Letter {
	case 0:
		return dst
	case '#':
		return append(dst, l.Text()...)
	}
	dst = append(dst, l.Letter)
	dst = append(dst, l.src[l.cmd.from:l.cmd.to]...)
	if text := l.Text(); len(text) > 0 {
		dst = append(dst, ' ')
		return append(dst, text...)
	}
	return l.appendWords(dst)
}

// appendWords appends the parameters as written, one space before each.
func (l *Line) appendWords(dst []byte) []byte {
	for i := range l.words[:l.n] {
		w := &l.words[i]
		dst = append(dst, ' ', w.Letter)
		dst = append(dst, l.src[w.from:w.to]...)
	}
	return dst
}

// Name returns the command as it is written in lists, such as "M204" or "G92.1".
func (l *Line) Name() string {
	switch l.Letter {
	case 0:
		return ""
	case '#':
		text := l.Text()
		end := 0
		for end < len(text) && !isSpace(text[end]) {
			end++
		}
		return string(text[:min(end, 40)])
	}
	name := string(rune(l.Letter)) + strconv.Itoa(l.Number)
	if l.Sub != 0 {
		name += "." + strconv.Itoa(l.Sub)
	}
	return name
}
