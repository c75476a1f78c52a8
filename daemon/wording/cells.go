package wording

import (
	"strings"

	"github.com/rivo/uniseg"
)

// cells is how many columns of a terminal a text takes: characters of East Asia and most pictures take
// two, marks that combine with another none.
func cells(text string) int { return uniseg.StringWidth(text) }

// split cuts a text after as many whole characters as fit into width columns, at least one.
func split(text string, width int) (head, tail string) {
	used := 0
	for rest, state := text, -1; rest != ""; {
		var wide int
		var next string
		_, next, wide, state = uniseg.FirstGraphemeClusterInString(rest, state)
		if used += wide; used > width && len(rest) < len(text) {
			return text[:len(text)-len(rest)], rest
		}
		rest = next
	}
	return text, ""
}

// Clip shortens a text to width columns, with an ellipsis where something is left out.
func Clip(text string, width int) string {
	if cells(text) <= width {
		return text
	}
	head, _ := split(text, width-1)
	return strings.TrimRight(head, " ") + "…"
}

// pad fills a text with spaces to width columns.
func pad(text string, width int) string {
	return text + strings.Repeat(" ", max(0, width-cells(text)))
}
