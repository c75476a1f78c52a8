package gcode

import (
	"math/big"
	"regexp"
	"strings"
	"testing"
)

// The readers below are boards as line-protocol practice knows them, written for
// the test and with nothing of the package: what each takes a line for is
// compared word by word, with exact decimals.

// readWord is a letter with its value: an exact decimal, a quoted text or nothing.
type readWord struct {
	letter string
	value  *big.Rat
	text   string
}

func (w readWord) same(o readWord) bool {
	if w.letter != o.letter || w.text != o.text || (w.value == nil) != (o.value == nil) {
		return false
	}
	return w.value == nil || w.value.Cmp(o.value) == 0
}

var (
	aside   = regexp.MustCompile(`\([^)]*\)`)
	before  = regexp.MustCompile(`^(\s*\([^)]*\))+`)
	prefix  = regexp.MustCompile(`^\s*[Nn]\s*[0-9][0-9\s]*`)
	suffix  = regexp.MustCompile(`\*[0-9]+\s*$`)
	letter  = regexp.MustCompile(`^\s*([A-Za-z])`)
	decimal = regexp.MustCompile(`^\s*([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))`)
	quoted  = regexp.MustCompile(`^\s*("[^"]*")`)
	whole   = regexp.MustCompile(`^([A-Z])([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))?$`)
	// What strtod of ISO C takes for a number (C17, 7.22.1.3, from memory), and the
	// binary prefix that C23 adds for integers.
	strtod = regexp.MustCompile(`^\s*([-+]?(?:0[xX][0-9a-fA-F.]+(?:[pP][-+]?[0-9]+)?|0[bB][01]+|(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?|(?i:inf|nan)))`)
)

// exact reads a decimal exactly; anything else is nil.
func exact(s string) *big.Rat {
	if m := decimal.FindString(s); m != s {
		return nil
	}
	v, _ := new(big.Rat).SetString(s)
	return v
}

// anywhere is a board that finds letters wherever they stand and reads a number
// after each by the given rule. ok is false where it would misread.
func anywhere(line string, number *regexp.Regexp) (words []readWord, ok bool) {
	for strings.TrimSpace(line) != "" {
		m := letter.FindStringSubmatch(line)
		if m == nil {
			return words, false
		}
		w := readWord{letter: strings.ToUpper(m[1])}
		line = line[len(m[0]):]
		if q := quoted.FindStringSubmatch(line); q != nil {
			w.text, line = q[1], line[len(q[0]):]
		} else if n := number.FindStringSubmatch(line); n != nil {
			if w.value = exact(n[1]); w.value == nil {
				return words, false
			}
			line = line[len(n[0]):]
		}
		words = append(words, w)
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
		w := readWord{letter: m[1]}
		if m[2] != "" {
			w.value = exact(m[2])
		}
		words = append(words, w)
	}
	return words, true
}

// texts finds commands whose parameter is a text, and takes them apart.
var texts = regexp.MustCompile(`^\s*(?:([Mm])(?:\s|\([^)]*\))*0*(0|1|16|23|28|30|32|33|36|117|118|486|928)(?:\.0|(\.[1-9]))?(?:\s*$|\s*([^0-9.\s].*)|\s+(\S.*))|([A-Za-z_]{3}.*))$`)

// sameWords compares a line of the file with what is sent of it.
func sameWords(t *testing.T, line, wire string, form Form) {
	t.Helper()
	if strings.ContainsAny(line, "\r\n") {
		line = strings.NewReplacer("\r", " ", "\n", " ").Replace(line)
	}
	bare := line
	if numbered := prefix.FindString(bare); numbered != "" {
		bare = suffix.ReplaceAllString(strings.SplitN(bare[len(numbered):], ";", 2)[0], "")
	}
	bare = before.ReplaceAllString(bare, "")
	code := strings.SplitN(bare, ";", 2)[0]
	if strings.Contains(aside.ReplaceAllString(code, ""), "(") && !texts.MatchString(code) {
		code = strings.SplitN(aside.ReplaceAllString(bare, " "), ";", 2)[0] // the semicolon is in a comment
	}
	if m := texts.FindStringSubmatch(code); m != nil && len(wire) > 0 {
		want := strings.TrimSpace(m[6])
		if m[1] != "" {
			want = strings.TrimSpace("M" + m[2] + m[3] + " " + strings.TrimSpace(m[4]+m[5]))
		}
		if wire != want {
			t.Fatalf("%q: the text became %q, want %q", line, wire, want)
		}
		return
	}
	if strings.ContainsAny(code, "\"") {
		return // comments and texts may hold each other; TestWireForms has such lines
	}
	code = suffix.ReplaceAllString(strings.SplitN(aside.ReplaceAllString(bare, " "), ";", 2)[0], "")
	if strings.TrimSpace(code) == "%" {
		code = ""
	}
	want, ok := anywhere(code, decimal)
	if !ok {
		t.Fatalf("%q: the test cannot read it", line)
	}
	compare := func(board string, got []readWord, ok bool) {
		t.Helper()
		for k := range max(len(want), len(got)) {
			ok = ok && k < len(want) && k < len(got) && want[k].same(got[k])
		}
		if !ok {
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
	if len(wire) > len(strings.Join(strings.Fields(code), " "))+len(want) { // a blank may be put before each word
		t.Fatalf("%q: on the wire it is longer: %q", line, wire)
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
		if ok && len(got) == len(want) != r.c {
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
