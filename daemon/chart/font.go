package chart

import "unicode/utf8"

// widths are how wide the printable letters of ASCII are, in hundredths of the size of the
// letters. They are those of DejaVu Sans (its table hmtx, rounded up), the widest of the usual
// fonts of screens: in another one a text takes less room than it is given.
var widths = [95]uint8{
	32, 41, 46, 84, 64, 96, 78, 28, 40, 40, 50, 84, 32, 37, 32, 34, 64, 64, 64, 64, 64, 64, 64, 64, 64, 64, 34, 34, 84, 84, 84, 54,
	100, 69, 69, 70, 77, 64, 58, 78, 76, 30, 30, 66, 56, 87, 75, 79, 61, 79, 70, 64, 62, 74, 69, 99, 69, 62, 69, 40, 34, 40, 84, 50,
	50, 62, 64, 55, 64, 62, 36, 64, 64, 28, 28, 58, 28, 98, 64, 62, 64, 64, 42, 53, 40, 64, 60, 82, 60, 60, 53, 64, 34, 64, 84,
}

// TextWidth is how wide a text is at most, px.
func TextWidth(text string) float64 {
	sum := 0
	for _, r := range text {
		switch {
		case r >= ' ' && r <= '~':
			sum += int(widths[r-' '])
		case r < 0x0250 && r != utf8.RuneError: // letters with accents; the widest of them
			sum += 100
		default:
			sum += 105 // a square, as East Asian letters are
		}
	}
	return TextPX * float64(sum) / 100
}

// headWider is how much wider the letters of a heading are.
const headWider = 1.17

// Cut shortens a text to a width, px.
func Cut(text string, widthPX float64) string {
	if TextWidth(text) <= widthPX {
		return text
	}
	list := []rune(text)
	for len(list) > 0 && TextWidth(string(list)+"…") > widthPX {
		list = list[:len(list)-1]
	}
	if len(list) == 0 {
		return ""
	}
	return string(list) + "…"
}
