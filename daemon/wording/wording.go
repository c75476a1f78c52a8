// Package wording writes what the program knows as text for a person: figures, times and
// sentences for the terminal and the web pages, and whole screens for the terminal. It is
// pure: values go in, text comes out.
//
// Rules of these texts: no line is wider than the style allows; bold and colour carry
// nothing that the words do not; a quantity has its unit beside it; what is not known is
// said to be so, never left out or shown as 0.
package wording

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Style says what the reader's screen can do.
type Style struct {
	Width    int // columns
	Height   int // rows; 0 when there is no bound
	Terminal bool
	Bold     bool
	Colour   bool
	Live     bool // it is shown again by itself
	Guided   bool // the commands to give stand below it, in words of the place
}

const (
	leastWidth = 40
	mostWidth  = 100 // longer lines are hard to read
	labelWidth = 13
)

// width returns the columns to use.
func (st Style) width() int { return min(mostWidth, max(leastWidth, st.Width)) }

// strong puts a text in bold where that is possible.
func (st Style) strong(text string) string {
	if !st.Bold || text == "" {
		return text
	}
	return "\x1b[1m" + text + "\x1b[0m"
}

// row writes a label and a text beside it, wrapped to the width.
func (st Style) row(label, text string) []string {
	return st.paragraph(pad(label, labelWidth), text, false)
}

// strongRow is row with the text in bold.
func (st Style) strongRow(label, text string) []string {
	return st.paragraph(pad(label, labelWidth), text, true)
}

// Note writes a text over the whole width.
func (st Style) Note(text string) []string { return st.paragraph("", text, false) }

// paragraph writes a text behind a lead, further lines indented as wide.
func (st Style) paragraph(lead, text string, strong bool) []string {
	indent := strings.Repeat(" ", cells(lead))
	lines := wrap(text, max(10, st.width()-len(indent)))
	for i, l := range lines {
		if strong {
			l = st.strong(l)
		}
		if i == 0 {
			lines[i] = strings.TrimRight(lead+l, " ")
		} else {
			lines[i] = indent + l
		}
	}
	return lines
}

// wrap breaks a text at its spaces into lines of at most width columns; a word
// longer than that is cut. There is always one line at least.
func wrap(text string, width int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(Printable(text)) {
		if line != "" && cells(line)+1+cells(word) <= width {
			line += " " + word
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for cells(word) > width {
			var head string
			head, word = split(word, width)
			lines = append(lines, head)
		}
		line = word
	}
	return append(lines, line)
}

// Printable replaces what could move a terminal's cursor or change its state;
// names and texts come from files, boards and people.
func Printable(text string) string {
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || !unicode.IsPrint(r) && r != ' ' {
			return ' '
		}
		return r
	}, text)
}

// Escaped writes by their numbers, as JSON does, the characters that a terminal may obey: controls other than line feed
// and tab (a carriage return before a line feed is part of it), and what turns the direction of the text. JSON stays what it is; bytes that are no text become U+FFFD.
func Escaped(text string) string {
	var out strings.Builder
	for i, r := range text {
		if r != '\n' && r != '\t' && !strings.HasPrefix(text[i:], "\r\n") && unicode.In(r, unicode.Cc, unicode.Bidi_Control) {
			fmt.Fprintf(&out, "\\u%04x", r)
		} else {
			out.WriteRune(r)
		}
	}
	return out.String()
}

// Span writes a length of time for a person: two units at most.
func Span(d time.Duration) string {
	switch d = max(0, d); {
	case d < time.Second:
		return "under 1 s"
	case d < 90*time.Second:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 90*time.Minute:
		return fmt.Sprintf("%d min", int(math.Round(d.Minutes())))
	case d < 48*time.Hour:
		m := int(math.Round(d.Minutes()))
		return fmt.Sprintf("%d h %d min", m/60, m%60)
	default:
		h := int(math.Round(d.Hours()))
		return fmt.Sprintf("%d d %d h", h/24, h%24)
	}
}

// Clock writes a time of day, with the date when it is another one than today.
func Clock(t, now time.Time) string {
	t, now = t.Local(), now.Local()
	if t.Year() == now.Year() && t.YearDay() == now.YearDay() {
		return t.Format("15:04")
	}
	return t.Format("Mon 2 Jan 15:04")
}

// Metres writes a length of belt.
func Metres(mm float64) string { return fmt.Sprintf("%.3f m", mm/1000) }

// Count writes a number with its noun, in the plural where it is due.
func Count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
