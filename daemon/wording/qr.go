package wording

import (
	"fmt"
	"strings"

	"rsc.io/qr"
)

// quietModules is the empty margin around a QR code that readers need (ISO/IEC 18004, 4 modules).
const quietModules = 4

// QR draws a text as a QR code, two rows of modules in a line. With colour it is black on white whatever the
// terminal's own are; without, it is drawn for a terminal with light letters on a dark ground.
func QR(text string, st Style) ([]string, error) {
	code, err := qr.Encode(text, qr.L) // a screen has no dirt on it
	if err != nil {
		return nil, fmt.Errorf("cannot draw a QR code: %w", err)
	}
	blocks := [4]string{" ", "▀", "▄", "█"} // by what is drawn: nothing, the upper row, the lower, both
	drawn := func(x, y int) int {
		black := x >= 0 && y >= 0 && x < code.Size && y < code.Size && code.Black(x, y)
		if black == st.Colour {
			return 1
		}
		return 0
	}
	var lines []string
	for y := -quietModules; y < code.Size+quietModules; y += 2 {
		var b strings.Builder
		for x := -quietModules; x < code.Size+quietModules; x++ {
			b.WriteString(blocks[drawn(x, y)+2*drawn(x, y+1)])
		}
		line := b.String()
		if st.Colour {
			line = "\x1b[30;107m" + line + "\x1b[0m"
		}
		lines = append(lines, line)
	}
	return lines, nil
}
