package board

import (
	"math"
	"strconv"
	"strings"

	"beltwarden/supervisor/motion"
)

// maxMMPerS: a larger top speed is in mm/min, as some boards report it; no printer's axis runs at
// 1000 mm/s (common practice, no source).
const maxMMPerS = 1000

// readLimits reads a settings line such as "echo:  M203 X500.00 Y500.00 Z5.00 E25.00" into l. It
// ignores values that are not positive numbers.
func readLimits(text string, l *motion.Limits) {
	number, rest, ok := settingIn(text)
	if !ok {
		return
	}
	var given [26]float64
	for _, word := range strings.Fields(rest) {
		letter := word[0] &^ 0x20
		v, err := strconv.ParseFloat(word[1:], 64)
		if letter < 'A' || letter > 'Z' || err != nil {
			break // a remark follows
		}
		if v > 0 && !math.IsInf(v, 0) {
			given[letter-'A'] = v
		}
	}
	take := func(letter byte, to *float64) bool {
		v := given[letter-'A']
		if v > 0 {
			*to = v
		}
		return v > 0
	}
	switch number {
	case "201":
		for a := range motion.Axes {
			take("XYZE"[a], &l.AccelMMPerS2[a])
		}
	case "203":
		for a := range motion.Axes {
			if take("XYZE"[a], &l.SpeedMMPerS[a]) && l.SpeedMMPerS[a] > maxMMPerS {
				l.SpeedMMPerS[a] /= 60
			}
		}
	case "204":
		if given['P'-'A'] == 0 && take('S', &l.PrintAccelMMPerS2) {
			// The older form: S for all moves with travel, T for filament alone.
			l.TravelAccelMMPerS2 = l.PrintAccelMMPerS2
			take('T', &l.RetractAccelMMPerS2)
			break
		}
		take('P', &l.PrintAccelMMPerS2)
		take('R', &l.RetractAccelMMPerS2)
		take('T', &l.TravelAccelMMPerS2)
	case "205":
		if take('J', &l.JunctionDeviationMM) {
			l.CornerMMPerS = [motion.Axes]float64{}
			break
		}
		for a := range motion.Axes {
			if take("XYZE"[a], &l.CornerMMPerS[a]) {
				l.JunctionDeviationMM = 0
			}
		}
	}
}

// settingIn finds the number of the setting at the beginning of a line, after what boards put
// before it.
func settingIn(text string) (number, rest string, ok bool) {
	word, rest, _ := strings.Cut(plain(text), " ")
	switch word {
	case "M201", "M203", "M204", "M205":
		return word[1:], rest, true
	}
	return "", "", false
}

// handleLimits applies a line from the board to its limits. Settings reported in inches are
// ignored.
func (b *Board) handleLimits(text string) {
	word, _, _ := strings.Cut(strings.TrimSpace(text), " ")
	switch word {
	case "G20":
		b.inches = true
	case "G21":
		b.inches = false
	}
	if !b.inches {
		readLimits(text, &b.Limits)
	}
}
