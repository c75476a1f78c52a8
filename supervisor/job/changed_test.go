package job

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// alterations are what may befall a file. inPlace says that an open file sees it.
var alterations = []struct {
	name    string
	inPlace bool
	do      func(t *testing.T, path, text string)
}{
	{"growing", true, func(t *testing.T, path, _ string) {
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
		check(t, err)
		_, err = f.WriteString("G1 X9 E9\n")
		check(t, err)
		check(t, f.Close())
	}},
	{"cut off", true, func(t *testing.T, path, text string) { check(t, os.Truncate(path, int64(len(text)/2))) }},
	{"emptied", true, func(t *testing.T, path, _ string) { check(t, os.Truncate(path, 0)) }},
	{"written over", true, func(t *testing.T, path, text string) {
		check(t, os.WriteFile(path, []byte(strings.ReplaceAll(text, "X9", "X8")), 0o600))
	}},
	{"replaced", false, func(t *testing.T, path, text string) {
		check(t, os.WriteFile(path+".new", []byte(strings.ReplaceAll(text, "X9", "X8")), 0o600))
		check(t, os.Rename(path+".new", path))
	}},
	{"taken away", false, func(t *testing.T, path, _ string) { check(t, os.Remove(path)) }},
}

func check(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// longJob has sections that each take several reads, and is older than any clock's step.
func longJob(t *testing.T) (path, text string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "clip.gcode")
	text = start + strings.Repeat("G0 X9 Y5 ; to the clip\n", 8_000) + "G1 X6 E5\n" + strings.Repeat("G1 X9 Y6 E6\nG1 X5 Y6 E5\n", 8_000) +
		"M104 S0\n" + strings.Repeat("G0 X9 Y5 ; and away\n", 8_000)
	check(t, os.WriteFile(path, []byte(text), 0o600))
	old := time.Now().Add(-time.Hour)
	check(t, os.Chtimes(path, old, old))
	return path, text
}

// A file that is altered while it is inspected is not taken for a job; one that was
// replaced was read to its end as it was, and cannot be opened afterwards.
func TestAlteredWhileInspected(t *testing.T) {
	for _, c := range alterations {
		t.Run(c.name, func(t *testing.T) {
			path, text := longJob(t)
			done := false
			p, err := Inspect(context.Background(), path, upright, func(int64, int64) {
				if !done {
					done = true
					c.do(t, path, text)
				}
			})
			if c.inPlace {
				want := fmt.Sprintf("cannot inspect %s: the job file has changed while it was being read; wait until it is written, and try again", path)
				if !errors.Is(err, ErrChanged) || err.Error() != want || p != nil {
					t.Fatalf("got %v, want %s", err, want)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			for _, kind := range []SectionKind{LeadIn, Body, LeadOut} {
				if r, err := p.Open(kind); err == nil {
					r.Close()
					t.Errorf("%s could be opened", kind)
				}
			}
		})
	}
}

// A reader that is open never gives out a line of another file: it ends with ErrChanged,
// or, where the open file is the one inspected still, with all its lines.
func TestAlteredWhileRead(t *testing.T) {
	want := map[SectionKind][]string{}
	for _, kind := range []SectionKind{LeadIn, Body, LeadOut} {
		path, _ := longJob(t)
		want[kind] = section(t, mustInspect(t, path, upright), kind)
	}
	for _, c := range alterations {
		for kind, want := range want {
			for _, after := range []int64{0, 1, 5_000} {
				path, text := longJob(t)
				p := mustInspect(t, path, upright)
				r, err := p.Open(kind)
				check(t, err)
				var got []string
				for n := int64(0); ; n++ {
					if n == after {
						c.do(t, path, text)
					}
					var line []byte
					if line, err = r.Next(nil); err != nil {
						break
					}
					got = append(got, string(line))
				}
				what := fmt.Sprintf("%s after %d lines of the %s", c.name, after, kind)
				if c.inPlace && (!errors.Is(err, ErrChanged) || err.Error() != "cannot go on with "+path+": the job file has changed since it was inspected; inspect it again") {
					t.Errorf("%s: got %v", what, err)
				}
				if !c.inPlace && (err != io.EOF || len(got) != len(want)) {
					t.Errorf("%s: got %d of %d lines, %v", what, len(got), len(want), err)
				}
				if len(got) > len(want) || strings.Join(got, "\n") != strings.Join(want[:len(got)], "\n") {
					t.Errorf("%s: lines of another file", what)
				}
				if _, err := r.Next(nil); err == nil {
					t.Errorf("%s: goes on after its end", what)
				}
				check(t, r.Close())
				if _, err := p.Open(kind); err == nil {
					t.Errorf("%s: can be opened again", what)
				}
			}
		}
	}
}
