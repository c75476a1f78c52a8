package gcode

import (
	"bufio"
	"errors"
	"os"
	"strconv"
	"strings"
	"testing"
)

// The lines of the table carry published checksums; see the table for their source.
func TestChecksumAgainstPublishedLines(t *testing.T) {
	f, err := os.Open("../../testdata/checksum/gcode-lines.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	n := 0
	for sc := bufio.NewScanner(f); sc.Scan(); {
		_, line, _ := strings.Cut(sc.Text(), " ") // after the key of the source
		_, sum, ok := strings.Cut(line, "*")
		if !strings.HasPrefix(line, "N") || !ok {
			continue
		}
		want, err := strconv.Atoi(sum)
		if err != nil {
			continue // a line that does not parse is no concern here
		}
		var l Line
		if err := l.Parse([]byte(line)); err != nil {
			t.Errorf("%s: %v", line, err)
			continue
		}
		n++
		if written, computed, ok := l.Checksum(); !ok || int(written) != want || int(computed) != want {
			t.Errorf("%s: written %d, computed %d, %v", line, written, computed, ok)
		}
	}
	if n < 15 {
		t.Errorf("only %d lines", n)
	}
}

func TestChecksum(t *testing.T) {
	for _, c := range []struct {
		line              string
		written, computed uint8
		ok                bool
	}{
		{"N3 T0*57", 57, 57, true},
		{"N3 T1*57", 57, 56, true},
		{"  N3 T0*57 ", 57, 57, true},
		{"N3 T0*57 ; the first tool", 57, 57, true},
		{"N3 T0*057", 57, 57, true},
		{"N3 T0 *57", 57, 57 ^ ' ', true}, // the blank counts
		{"T0*100", 100, 'T' ^ '0', true},
		{"*0", 0, 0, true},
		{"*7", 7, 0, true},
		{"N5*123", 123, 'N' ^ '5', true},
		{"N5 M117 hi*9", 9, 'N' ^ '5' ^ ' ' ^ 'M' ^ '1' ^ '1' ^ '7' ^ ' ' ^ 'h' ^ 'i', true},
		{"M117 hi*9", 0, 0, false}, // a text of its own
		{"G1 X1 Y2", 0, 0, false},
		{"g1 x1", 0, 0, false},
		{"", 0, 0, false},
		{"; *9", 0, 0, false},
		{"G1 X1 (*9)", 0, 0, false},
		{"G1 X1 F-5*9", 9, 'G' ^ '1' ^ ' ' ^ 'X' ^ '1' ^ ' ' ^ 'F' ^ '-' ^ '5', true},
	} {
		var l Line
		if err := l.Parse([]byte("N1 G28*18")); err != nil { // what was there before is gone
			t.Fatal(err)
		}
		if err := l.Parse([]byte(c.line)); err != nil {
			t.Errorf("%q: %v", c.line, err)
			continue
		}
		if written, computed, ok := l.Checksum(); written != c.written || computed != c.computed || ok != c.ok {
			t.Errorf("%q: written %d, computed %d, %v; want %d, %d, %v", c.line, written, computed, ok, c.written, c.computed, c.ok)
		}
	}
}

func TestChecksumOutOfRange(t *testing.T) {
	for line, column := range map[string]int{
		"N3 T0*256": 6, "G1 X1 Y2*1000": 9, "N5 M117 hi*300": 11, "T0*99999999999999999999999": 3,
	} {
		var l Line
		var syntax *SyntaxError
		if err := l.Parse([]byte(line)); !errors.As(err, &syntax) || *syntax != (SyntaxError{column, "a checksum is at most 255"}) {
			t.Errorf("%q: got %v, want column %d", line, err, column)
		}
	}
}
