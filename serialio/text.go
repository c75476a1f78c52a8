package serialio

import (
	"strings"
)

// trimLine cuts blanks at both ends, and bytes in front that are no text: an
// opening port and a board in reset commonly add a few.
func trimLine(b []byte) []byte {
	for len(b) > 0 && (b[0] <= ' ' || b[0] >= 0x7f) {
		b = b[1:]
	}
	for len(b) > 0 && b[len(b)-1] <= ' ' {
		b = b[:len(b)-1]
	}
	return b
}

func keyLen[T ~string | ~[]byte](s T) int {
	i := 0
	for i < len(s) && (s[i] == '_' || (s[i] >= 'A' && s[i] <= 'Z')) {
		i++
	}
	return i
}

func hasFold(b []byte, prefix string) bool {
	return len(b) >= len(prefix) && equalFold(b[:len(prefix)], prefix)
}

func equalFold(b []byte, lower string) bool {
	if len(b) != len(lower) {
		return false
	}
	for i, c := range b {
		if c >= 'A' && c <= 'Z' {
			c += 'a' - 'A'
		}
		if c != lower[i] {
			return false
		}
	}
	return true
}

// printable returns b as printable ASCII, cut at maxText, anything else as a
// question mark, so that it can go into a log or a page as it is.
func printable(b []byte) string {
	b = b[:min(len(b), maxText)]
	return strings.Map(func(c rune) rune {
		if c < ' ' || c > '~' {
			return '?'
		}
		return c
	}, string(b))
}

// isText reports whether b is all printable ASCII, tabs allowed.
func isText(b []byte) bool {
	for _, c := range b {
		if (c < ' ' && c != '\t') || c > '~' {
			return false
		}
	}
	return true
}
