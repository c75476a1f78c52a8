package gcode

import "strconv"

// Clean appends to dst what of the line goes on the wire, and returns the
// result: comments, line number and checksum are left out, words stand one
// space apart with capital letters, numbers stay as written. Text parameters
// are left alone. Nothing appended means that there is nothing to send. A line
// that cannot be read is only trimmed and freed of its semicolon comment.
// Cleaning twice gives the same as cleaning once.
func Clean(dst, line []byte) []byte {
	var l Line
	if err := l.Parse(line); err != nil {
		return appendRaw(dst, line)
	}
	return l.AppendClean(dst)
}

// AppendClean is [Clean] for a line already parsed without error.
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

func appendRaw(dst, line []byte) []byte {
	from, to := 0, 0
	for to < len(line) && line[to] != ';' {
		to++
	}
	for from < to && isSpace(line[from]) {
		from++
	}
	to = trimRight(line, from, to)
	space := false
	for _, c := range line[from:to] {
		if isSpace(c) {
			space = true
			continue
		}
		if space {
			dst = append(dst, ' ')
			space = false
		}
		dst = append(dst, c)
	}
	return dst
}
