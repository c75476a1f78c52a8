package gcode

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// exponent is a number that could have one.
var exponent = regexp.MustCompile(`[0-9.]e[-+]?[0-9.]`)

// readings opens the table of what another reader makes of lines.
func readings(t *testing.T) []string {
	t.Helper()
	data, err := os.ReadFile("../../testdata/reference/second-opinion.txt")
	if err != nil {
		t.Fatal(err)
	}
	var rows []string
	for line := range strings.Lines(string(data)) {
		if !strings.HasPrefix(line, "#") {
			rows = append(rows, strings.TrimSuffix(line, "\n"))
		}
	}
	return rows
}

// reading writes the words of a line as the table does.
func reading(l *Line) string {
	b := []byte(l.Name())
	for _, w := range l.Words() {
		b = append(b, ' ', w.Letter)
		if w.HasValue {
			b = strconv.AppendFloat(b, w.Value, 'g', -1, 64)
		}
	}
	return string(b)
}

// Two readers that know nothing of each other agree on letters and values, and on which
// checksums are right. They differ in two classes of lines, each of which must occur:
// an e right behind a number is a word there and refused here, since boards disagree on
// it; and there the checksum 0 is none, here it is a number like others.
func TestSecondOpinion(t *testing.T) {
	exponents, zeros, same, sums := 0, 0, 0, 0
	for _, row := range readings(t)[1:] {
		quoted, want, ok := strings.Cut(row, " => ")
		line, err := strconv.Unquote(quoted)
		if !ok || err != nil {
			t.Fatalf("%s: %v", row, err)
		}
		want, wrong := strings.CutSuffix(want, " SUM")
		var l Line
		if err := l.Parse([]byte(line)); err != nil {
			if !strings.Contains(err.Error(), "a number has an exponent") || !exponent.MatchString(line) {
				t.Errorf("%q: %v, but it reads %s", line, err, want)
			}
			exponents++
			continue
		}
		if got := reading(&l); strings.ReplaceAll(got+" ", "-0 ", "0 ") != want+" " {
			t.Errorf("%q: got %s, want %s", line, got, want)
		}
		written, computed, has := l.Checksum()
		switch {
		case has && written == 0 && written != computed && !wrong:
			zeros++
		case wrong != (has && written != computed):
			t.Errorf("%q: checksum %d, computed %d, called wrong there: %v", line, written, computed, wrong)
		case wrong:
			sums++
		default:
			same++
		}
	}
	if exponents == 0 || zeros == 0 || sums == 0 || same < 200 {
		t.Errorf("%d exponents, %d sums of zero, %d wrong sums, %d alike: a class is missing", exponents, zeros, sums, same)
	}
}

// Of the real job both readers make the same, line by line.
func TestSecondOpinionOnRealJob(t *testing.T) {
	want, ok := strings.CutPrefix(readings(t)[0], "buttons.gcode ")
	if !ok {
		t.Fatal("the table does not begin with the digest")
	}
	data, err := os.ReadFile("../../testdata/jobs/buttons.gcode")
	if err != nil {
		t.Fatal(err)
	}
	h := sha256.New()
	var l Line
	n := 0
	for sc := bufio.NewScanner(bytes.NewReader(data)); sc.Scan(); n++ {
		if err := l.Parse(sc.Bytes()); err != nil {
			t.Fatalf("%s: %v", sc.Text(), err)
		}
		h.Write([]byte(reading(&l) + "\n"))
	}
	if got := hex.EncodeToString(h.Sum(nil)); got != want || n != 36658 {
		t.Errorf("%d lines read as %s, want %s", n, got, want)
	}
}
