package serialio

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// vectors reads a file of testdata/checksum. A source key that the test does not
// name, and a file with fewer vectors than it should hold, are errors, so that a
// damaged file cannot pass as an empty one.
func vectors(t *testing.T, file string, want map[string]int) []string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "testdata", "checksum", file))
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	got := map[string]int{}
	for i, line := range strings.Split(string(b), "\n") {
		if line == "" || line[0] == '#' {
			continue
		}
		key, rest, ok := strings.Cut(line, " ")
		if _, known := want[key]; !ok || !known {
			t.Fatalf("%s:%d: unknown source %q", file, i+1, key)
		}
		got[key]++
		out = append(out, rest)
	}
	for key, n := range want {
		if got[key] != n {
			t.Fatalf("%s: %d vectors of %s, want %d", file, got[key], key, n)
		}
	}
	return out
}

func TestChecksumGCode(t *testing.T) {
	for _, line := range vectors(t, "gcode-lines.txt", map[string]int{"reprap2012": 6, "sequestion": 3, "computed": 7}) {
		body, sum, _ := strings.Cut(line, "*")
		want, err := strconv.Atoi(sum)
		if err != nil {
			t.Fatal(err)
		}
		if got := Checksum([]byte(body)); int(got) != want {
			t.Errorf("%s: checksum %d", line, got)
		}
		number, text, err := parseFrame([]byte(line))
		if err != nil {
			t.Errorf("%s: %v", line, err)
		}
		if got := string(AppendFrame(nil, number, text)); got != line+"\n" {
			t.Errorf("framed %q, want %q", got, line+"\n")
		}
	}
}

func TestChecksumNMEA(t *testing.T) {
	for _, line := range vectors(t, "nmea-sentences.txt",
		map[string]int{"trimble": 2, "igoe": 1, "basic2007": 1, "notes2015": 1, "memory": 1}) {
		body, sum, _ := strings.Cut(strings.TrimPrefix(line, "$"), "*")
		if got := fmt.Sprintf("%02X", Checksum([]byte(body))); got != sum {
			t.Errorf("%s: checksum %s", line, got)
		}
	}
}

func FuzzFrame(f *testing.F) {
	f.Add([]byte("N3 T0*57\n"))
	f.Add([]byte("N0 M110 N0*125"))
	f.Fuzz(func(t *testing.T, line []byte) {
		number, text, err := parseFrame(line)
		if err != nil {
			return
		}
		again := AppendFrame(nil, number, text)
		if n2, t2, err := parseFrame(again); err != nil || n2 != number || !bytes.Equal(t2, text) {
			t.Fatalf("%q reads as %d %q, framed again as %q: %v", line, number, text, again, err)
		}
		if !bytes.Equal(bytes.TrimRight(line, "\r\n"), again[:len(again)-1]) {
			t.Fatalf("%q framed again is %q", line, again)
		}
	})
}

func TestFrameLenBounds(t *testing.T) {
	for _, number := range []int64{0, 9, 10, 99, 100, 12345, 999999999, 1999999999} {
		for n := range 100 {
			text := bytes.Repeat([]byte{'Q'}, n)
			got, bound := len(AppendFrame(nil, number, text)), frameLen(number, n)
			if got > bound || bound-got > 2 {
				t.Fatalf("N%d with %d bytes: frame of %d, bound %d", number, n, got, bound)
			}
		}
	}
}

func TestLineReader(t *testing.T) {
	in := "one\r\n\ntwo\rthree\n\r" + strings.Repeat("x", 3*maxReply) + "\nfour\nrest"
	want := []string{"one", "two", "three", strings.Repeat("x", maxReply) + "+", "four"}
	for size := 1; size < 40; size++ {
		var r lineReader
		var got []string
		for c := range slices.Chunk([]byte(in), size) {
			r.feed(c, func(text []byte, cut bool) bool {
				s := string(text)
				if cut {
					s += "+"
				}
				got = append(got, s)
				return true
			})
		}
		if !slices.Equal(got, want) || string(r.part) != "rest" {
			t.Fatalf("chunks of %d: %.100q, left %q", size, got, r.part)
		}
	}
}

// parseFrame splits a numbered line, with or without its line end, into its
// number and its text, and checks the checksum. The text shares memory with
// line. The form is the one that AppendFrame writes and no other, so that a
// line that parses is the line that was meant.
func parseFrame(line []byte) (number int64, text []byte, err error) {
	line = bytes.TrimRight(line, "\r\n")
	if len(line) == 0 || line[0] != 'N' {
		return 0, nil, errors.New("cannot parse frame: it does not begin with N")
	}
	star := bytes.LastIndexByte(line, '*')
	if star < 0 {
		return 0, nil, errors.New("cannot parse frame: it has no checksum")
	}
	space := bytes.IndexByte(line[:star], ' ')
	if space < 0 {
		return 0, nil, errors.New("cannot parse frame: no blank after the number")
	}
	number, ok := parseInt(line[1:space])
	if !ok {
		return 0, nil, fmt.Errorf("cannot parse frame: %.20q is not a line number", line[1:space])
	}
	sum, ok := parseInt(line[star+1:])
	if !ok || sum > 255 {
		return 0, nil, fmt.Errorf("cannot parse frame: %.20q is not a checksum", line[star+1:])
	}
	if want := Checksum(line[:star]); int64(want) != sum {
		return 0, nil, fmt.Errorf("cannot accept frame: its checksum is %d, the line says %d", want, sum)
	}
	return number, line[space+1 : star], nil
}
