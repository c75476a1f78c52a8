package job

import (
	"bytes"
	"io"
	"slices"
	"strings"
	"testing"
)

// lineEnds are texts and the lines they hold.
var lineEnds = []struct {
	name, text string
	lines      []string
}{
	{"LF", "a\nb\n\nc\n", []string{"a", "b", "", "c"}},
	{"CRLF", "a\r\nb\r\n\r\nc\r\n", []string{"a", "b", "", "c"}},
	{"CR", "a\rb\r\rc\r", []string{"a", "b", "", "c"}},
	{"CRCRLF", "a\r\r\nb\r\r\n\r\r\nc\r\r\n", []string{"a", "b", "", "c"}},
	{"LFCR", "a\n\rb\n\rc\n\r", []string{"a", "b", "c"}},
	{"mixed", "a\nb\r\nc\rd\n\re", []string{"a", "b", "c", "d", "e"}},
	{"an empty line before CRLF", "a\n\r\nb", []string{"a", "", "b"}},
	{"CRLF and CR", "a\r\n\rb", []string{"a", "", "b"}},
	{"none", "a", []string{"a"}},
	{"LF at the end alone", "\n", []string{""}},
	{"LFCR at the end alone", "\n\r", []string{""}},
	{"CR at the end alone", "\r", []string{""}},
	{"nothing", "", nil},
	{"a mark first", "\xef\xbb\xbfa\nb", []string{"a", "b"}},
}

// Lines and offsets are the same however much is read at a time, and the offsets tile
// the file.
func TestSourceLines(t *testing.T) {
	for _, c := range lineEnds {
		for _, f := range []io.ReadSeeker{strings.NewReader(c.text), dribble{bytes.NewReader([]byte(c.text))}} {
			s := newSource(f, 0, -1, 0)
			var lines []string
			at := int64(0)
			for {
				line, from, to, err := s.next()
				if err == io.EOF {
					break
				}
				if err != nil || from != at || to <= from {
					t.Fatalf("%s: from %d to %d after %d, %v", c.name, from, to, at, err)
				}
				lines, at = append(lines, string(line)), to
			}
			if !slices.Equal(lines, c.lines) || at != int64(len(c.text)) {
				t.Errorf("%s: got %q up to byte %d, want %q", c.name, lines, at, c.lines)
			}
		}
	}
}

// A line of the longest length is read, and one byte more is not, whatever ends it and
// wherever the reads end; the line behind it is read in both cases.
func TestLongestLine(t *testing.T) {
	for _, end := range []string{"\n", "\r\n", "\r", "\n\r", "\r\r\n"} {
		for before := range 4 {
			for _, over := range []int{0, 1, 2, 200_000} {
				text := strings.Repeat(";", before) + end + ";" + strings.Repeat("x", MaxLineBytes-1+over) + end + "M105" + end
				s := newSource(strings.NewReader(text), 0, -1, 0)
				if _, _, _, err := s.next(); err != nil {
					t.Fatal(err)
				}
				line, _, _, err := s.next()
				if over == 0 && (err != nil || len(line) != MaxLineBytes) || over > 0 && err != errLong {
					t.Errorf("%q, %d bytes too long: got %d bytes, %v", end, over, len(line), err)
				}
				line, _, to, err := s.next()
				if err != nil || string(line) != "M105" || to != int64(len(text)) {
					t.Errorf("%q, %d bytes too long: then %q up to %d of %d, %v", end, over, line, to, len(text), err)
				}
			}
		}
	}
}

// Places in messages do not depend on how the lines end.
func TestLineNumbersWhateverEnds(t *testing.T) {
	for _, end := range []string{"\n", "\r\n", "\r", "\n\r", "\r\r\n"} {
		text := strings.ReplaceAll(start+"G1 X6 E5\nG1 X--3\nG1 X7 E6\nG1 X.\n", "\n", end)
		_, err := inspectText(t, text, upright)
		if err == nil {
			t.Fatalf("%q: accepted", end)
		}
		for _, says := range []string{`clip.gcode:9: column 5: "--3" is not a number`, `clip.gcode:11: column 5: "." is not a number`} {
			if !strings.Contains(err.Error(), says) {
				t.Errorf("%q: got %v, want %s", end, err, says)
			}
		}
	}
}
