package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// clean makes a text that people wrote safe to show on one line: characters that do not print, or
// change the direction of the text around them, become U+FFFD.
func clean(text string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case r == utf8.RuneError, changesDirection(r), !unicode.IsPrint(r) && !isJoiner(r):
			return utf8.RuneError
		}
		return r
	}, text)), " ")
}

// changesDirection says whether a character changes the direction of what follows it.
func changesDirection(r rune) bool {
	return r >= 0x202A && r <= 0x202E || r >= 0x2066 && r <= 0x2069 || r == 0x200E || r == 0x200F || r == 0x061C
}

// isJoiner says whether a character that does not print belongs to the spelling of some
// languages: zero-width joiner and non-joiner.
func isJoiner(r rune) bool { return r == 0x200C || r == 0x200D }

// shorten cuts a text that is too long for its place.
func shorten(text string, most int) string {
	if r := []rune(text); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return text
}

// decimal writes a number with so many decimals; never "-0".
func decimal(v float64, places int) string {
	text := strconv.FormatFloat(v, 'f', places, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return text
}

// plain writes a number as it is, without an exponent.
func plain(v float64) string {
	if v == 0 {
		return "0"
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// percent writes a fraction, the sign never on a line of its own.
func percent(f float64) string { return decimal(100*f, 1) + "\u00a0%" }

// money writes an amount: to a hundredth, and small ones to a ten-thousandth.
func money(v float64) string {
	if v != 0 && math.Abs(v) < 0.1 {
		return decimal(v, 4)
	}
	return decimal(v, 2)
}

// span writes a length of time, two units at most. It stays on one line.
func span(seconds float64) string {
	s, text := int64(math.Round(seconds)), ""
	switch {
	case seconds < 10:
		text = decimal(seconds, 1) + " s"
	case s < 90:
		text = fmt.Sprintf("%d s", s)
	case s < 5400:
		text = fmt.Sprintf("%d min %02d s", s/60, s%60)
	case s < 172800:
		m := (s + 30) / 60
		text = fmt.Sprintf("%d h %02d min", m/60, m%60)
	default:
		h := (s + 1800) / 3600
		text = fmt.Sprintf("%d d %d h", h/24, h%24)
	}
	return strings.ReplaceAll(text, " ", "\u00a0")
}

func clock(t time.Time) string { return t.Format("2006-01-02 15:04") }

func day(t time.Time) string { return t.Format("2006-01-02") }

func hour(t time.Time) string { return t.Format("15:04") }
