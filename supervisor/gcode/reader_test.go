package gcode

import (
	"math/big"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The readers below are boards as line-protocol practice knows them, written for
// the test and with nothing of the package: what each takes a line for is
// compared word by word, with exact decimals.

// readWord is a letter with its number as the board picked it out, or without.
type readWord struct{ letter, number string }

// same compares numbers as exact decimals.
func (w readWord) same(o readWord) bool {
	if w.letter != o.letter || (w.number == "") != (o.number == "") {
		return false
	}
	return w.number == o.number || exact(w.number).Cmp(exact(o.number)) == 0
}

var (
	aside   = regexp.MustCompile(`\([^)]*\)`)
	before  = regexp.MustCompile(`^(\s*\([^)]*\))+`)
	prefix  = regexp.MustCompile(`^\s*[Nn]\s*[0-9][0-9\s]*`)
	suffix  = regexp.MustCompile(`\*[0-9]+\s*$`)
	decimal = regexp.MustCompile(`^\s*([A-Za-z])(?:\s*([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)))?\s*`)
	whole   = regexp.MustCompile(`^([A-Z])([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))?$`)
	// What strtod of ISO C takes for a number (C17, 7.22.1.3, from memory), and the
	// binary prefix that C23 adds for integers.
	strtod = regexp.MustCompile(`^\s*([A-Za-z])(?:\s*([-+]?(?:0[xX][0-9a-fA-F.]+(?:[pP][-+]?[0-9]+)?|0[bB][01]+|(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?|(?i:inf|nan))))?\s*`)
)

// exact reads a decimal exactly.
func exact(s string) *big.Rat {
	v, ok := new(big.Rat).SetString(s)
	if !ok {
		panic(s)
	}
	return v
}

// isDecimal reports whether a number is one to every reader, with no exponent and
// in no other base.
func isDecimal(s string) bool { return strings.Trim(s, "+-.0123456789") == "" }

// anywhere is a board that finds letters wherever they stand and reads words by
// the given pattern. ok is false where it would misread.
func anywhere(line string, word *regexp.Regexp) (words []readWord, ok bool) {
	for line != "" {
		m := word.FindStringSubmatch(line)
		if m == nil || !isDecimal(m[2]) {
			return words, false
		}
		words = append(words, readWord{strings.ToUpper(m[1]), m[2]})
		line = line[len(m[0]):]
	}
	return words, true
}

// atBlanks is a board that cuts a line at its blanks and wants one word in each piece.
func atBlanks(line string) (words []readWord, ok bool) {
	for _, piece := range strings.Split(line, " ") {
		m := whole.FindStringSubmatch(piece)
		if m == nil {
			return words, false
		}
		words = append(words, readWord{m[1], m[2]})
	}
	return words, true
}

// texts finds commands whose parameter is a text, and takes them apart.
var texts = regexp.MustCompile(`^\s*(?:([Mm])(?:\s|\([^)]*\))*0*(0|1|16|23|28|30|32|33|36|117|118|486|928)(?:\.0|(\.[1-9]))?(?:\s*$|\s*([^0-9.\s].*)|\s+(\S.*))|([A-Za-z_]{3}.*))$`)

// plain is a line with nothing in it but words.
var plain = regexp.MustCompile(`^[GT][0-9][^;(*"]*$`)

// codeOf returns the words of a line of the file, or its command with a text as it
// should be sent. ok is false for what the readers here do not take apart.
func codeOf(line string) (code, text string, ok bool) {
	line = strings.NewReplacer("\r", " ", "\n", " ").Replace(line)
	if plain.MatchString(line) {
		return line, "", true
	}
	if numbered := prefix.FindString(line); numbered != "" {
		line = suffix.ReplaceAllString(strings.SplitN(line[len(numbered):], ";", 2)[0], "")
	}
	line = before.ReplaceAllString(line, "")
	code = strings.SplitN(line, ";", 2)[0]
	if strings.Contains(aside.ReplaceAllString(code, ""), "(") && !texts.MatchString(code) {
		code = strings.SplitN(aside.ReplaceAllString(line, " "), ";", 2)[0] // the semicolon is in a comment
	}
	if m := texts.FindStringSubmatch(code); m != nil {
		text = strings.TrimSpace(m[6])
		if m[1] != "" {
			text = strings.TrimSpace("M" + m[2] + m[3] + " " + strings.TrimSpace(m[4]+m[5]))
		}
		return "", text, true
	}
	if strings.Contains(code, "\"") {
		return "", "", false // comments and texts may hold each other; TestWireForms has such lines
	}
	code = suffix.ReplaceAllString(strings.SplitN(aside.ReplaceAllString(line, " "), ";", 2)[0], "")
	return strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(code), "%")), "", true
}

// sameWords compares a line of the file with what is sent of it.
func sameWords(t *testing.T, line string, wires map[Form]string) {
	t.Helper()
	code, text, known := codeOf(line)
	if !known {
		return
	}
	if text != "" {
		for _, wire := range wires {
			if wire != text {
				t.Fatalf("%q: the text became %q, want %q", line, wire, text)
			}
		}
		return
	}
	want, ok := anywhere(code, decimal)
	if !ok {
		t.Fatalf("%q: the test cannot read it", line)
	}
	for form, wire := range wires {
		compare := func(board string, got []readWord, ok bool) {
			t.Helper()
			if !ok || !slices.EqualFunc(want, got, readWord.same) {
				t.Fatalf("%q: a board that %s takes %q for something else", line, board, wire)
			}
		}
		got, ok := anywhere(wire, decimal)
		compare("finds letters anywhere", got, ok)
		got, ok = anywhere(wire, strtod)
		compare("reads numbers as C does", got, ok)
		if form == Spaced && len(want) > 0 {
			got, ok = atBlanks(wire)
			compare("cuts at blanks", got, ok)
		}
		if len(wire) > len(code)+len(want) { // a blank may be put before each word
			t.Fatalf("%q: on the wire it is longer: %q", line, wire)
		}
	}
}

// The readers see what they are there to see.
func TestReadersAreStrict(t *testing.T) {
	for _, r := range []struct {
		line string
		c    bool
	}{{"G1X10E5", false}, {"G0X10", false}, {"G1F0X1", false}, {"G1 F0B1", false}, {"G1X10 E5", true}, {"G0 X10Y5", true}} {
		want, _ := anywhere(r.line, decimal)
		got, ok := anywhere(r.line, strtod)
		if same := ok && slices.Equal(got, want); same != r.c {
			t.Errorf("%q: read as in C %v, %v", r.line, got, ok)
		}
		if _, ok := atBlanks(r.line); ok {
			t.Errorf("%q: cut at blanks", r.line)
		}
	}
	if a, b := exact("0.10"), exact(".1"); a.Cmp(b) != 0 || exact("0.1").Cmp(exact("0.10000000000000001")) == 0 {
		t.Error("decimals are not compared exactly")
	}
}
