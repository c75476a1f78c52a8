package shelf

import (
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// MaxName is the most bytes in the name of a stored file.
const MaxName = 120

// maxExtension is the most bytes that count as the extension of a name; more is
// part of the name.
const maxExtension = 16

// ErrName says that nothing usable is left of a name.
var ErrName = errors.New("it is not a file name; use letters, digits, dots and dashes")

// deviceNames are names that stand for hardware on some computers, with any extension.
// A copy of the folder must be readable there too.
var deviceNames = []string{"con", "prn", "aux", "nul",
	"com0", "com1", "com2", "com3", "com4", "com5", "com6", "com7", "com8", "com9",
	"lpt0", "lpt1", "lpt2", "lpt3", "lpt4", "lpt5", "lpt6", "lpt7", "lpt8", "lpt9"}

// Name reduces the name that somebody gave a file to a plain one: what follows the last separator
// of any system, in letters, digits, blanks and a few marks, at most [MaxName] bytes with the
// extension kept. Every other character becomes a dash.
func Name(said string) (string, error) {
	name := said
	if i := strings.LastIndexAny(name, `/\`); i >= 0 {
		name = name[i+1:]
	}
	if i := strings.LastIndexAny(name, ":"); i == 1 { // a drive
		name = name[i+1:]
	}
	name = strings.Map(func(c rune) rune {
		switch {
		case unicode.IsLetter(c), unicode.IsDigit(c), unicode.Is(unicode.Mn, c), strings.ContainsRune(" -_.+()[]=,@#", c):
			if c != utf8.RuneError {
				return c
			}
		case unicode.IsControl(c):
			return -1
		}
		return '-'
	}, name)
	name = shorten(trimEdges(name), MaxName)
	stem := strings.TrimSuffix(name, path.Ext(name))
	if before, _, _ := strings.Cut(name, "."); slices.Contains(deviceNames, strings.ToLower(strings.TrimSpace(before))) {
		name = shorten("job-"+name, MaxName)
	}
	if strings.Trim(stem, "-_. ") == "" {
		return "", fmt.Errorf("cannot name a job %s: %w", quoted(said), ErrName)
	}
	return name, nil
}

// trimEdges cuts off what makes a name hidden, an option of a command, or invisible.
func trimEdges(name string) string { return strings.Trim(strings.TrimLeft(name, "-. "), ". ") }

// shorten cuts a name to so many bytes, before its extension.
func shorten(name string, most int) string {
	if len(name) <= most {
		return name
	}
	stem, ext := split(name)
	return cut(stem, most-len(ext)) + ext
}

// split parts a name from its extension, which may be empty.
func split(name string) (stem, ext string) {
	ext = path.Ext(name)
	if len(ext) > maxExtension || len(ext) < 2 {
		ext = ""
	}
	return strings.TrimSuffix(name, ext), ext
}

// cut returns the first so many bytes of a text, or a few less, so that no letter
// is broken.
func cut(text string, most int) string {
	if len(text) <= most {
		return text
	}
	for most > 0 && !utf8.RuneStart(text[most]) {
		most--
	}
	return strings.TrimRight(text[:most], ". ")
}

// numbered returns a name with a number before its extension.
func numbered(name string, n int) string {
	if n < 2 {
		return name
	}
	stem, ext := split(name)
	tail := fmt.Sprintf("-%d", n) + ext
	return cut(stem, MaxName-len(tail)) + tail
}

// quoted quotes a name, shortened so that it does not fill the screen.
func quoted(said string) string {
	const most = 80
	if len(said) > most {
		return fmt.Sprintf("%q...", cut(said, most))
	}
	return fmt.Sprintf("%q", said)
}
