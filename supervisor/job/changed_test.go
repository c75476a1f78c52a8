package job

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// alterations are what may befall a file.
var alterations = []struct {
	name string
	do   func(t *testing.T, path, text string)
}{
	{"growing", func(t *testing.T, path, _ string) {
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
		check(t, err)
		_, err = f.WriteString("G1 X9 E9\n")
		check(t, err)
		check(t, f.Close())
	}},
	{"cut off", func(t *testing.T, path, text string) { check(t, os.Truncate(path, int64(len(text)/2))) }},
	{"emptied", func(t *testing.T, path, _ string) { check(t, os.Truncate(path, 0)) }},
	{"written over", func(t *testing.T, path, text string) {
		check(t, os.WriteFile(path, []byte(strings.ReplaceAll(text, "X9", "X8")), 0o600))
	}},
	{"replaced", func(t *testing.T, path, text string) {
		check(t, os.WriteFile(path+".new", []byte(strings.ReplaceAll(text, "X9", "X8")), 0o600))
		check(t, os.Rename(path+".new", path))
	}},
	{"taken away", func(t *testing.T, path, _ string) { check(t, os.Remove(path)) }},
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

// A file that is altered while it is inspected is not taken for a job.
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
			want := fmt.Sprintf("cannot inspect %s: the job file has changed while it was being read; wait until it is written, and try again", path)
			if !errors.Is(err, ErrChanged) || err.Error() != want || p != nil {
				t.Fatalf("got %v, want %s", err, want)
			}
		})
	}
}

// A word is replaced in place, of the same length, and the times are put back. No line
// of it is given out: the time of the change is the kernel's.
func TestWordReplacedInPlace(t *testing.T) {
	for _, c := range []struct{ from, to string }{{"M104 S200", "M104 S450"}, {"M106 S127", "M500\nG1 Z"}, {"G1 X6 E5", "G1 X8 E5"}} {
		path := filepath.Join(t.TempDir(), "clip.gcode")
		text := start + "G1 X6 E5\nM104 S200\nM106 S127\nG1 X7 E6\nM104 S0\n"
		check(t, os.WriteFile(path, []byte(text), 0o600))
		p := mustInspect(t, path, upright)
		alter := func() {
			f, err := os.OpenFile(path, os.O_RDWR, 0)
			check(t, err)
			_, err = f.WriteAt([]byte(c.to), int64(strings.LastIndex(text, c.from)))
			check(t, err)
			check(t, f.Close())
			back := time.Unix(0, p.identity.modified)
			check(t, os.Chtimes(path, back, back))
		}
		for alter(); ; alter() { // until the clock of the file system has moved on
			info, err := os.Stat(path)
			check(t, err)
			if identityOf(info).changed != p.identity.changed {
				break
			}
		}
		for _, kind := range []SectionKind{LeadIn, Body, LeadOut} {
			if _, err := p.Open(kind); !errors.Is(err, ErrChanged) {
				t.Errorf("%s: the %s: got %v", c.to, kind, err)
			}
		}
	}
}

// What inspection would refuse is not given out even where nothing else tells of a
// change: here the file's identity is made to be that of the altered one.
func TestLinesAreJudgedAgain(t *testing.T) {
	for _, c := range []struct{ line, why string }{
		{"M104 S450", "the nozzle is to be heated to 450 C, above the ceiling of 260 C"},
		{"m0104s450", "the nozzle is to be heated to 450 C, above the ceiling of 260 C"},
		{"M140 S101", "the bed is to be heated to 101 C, above the ceiling of 100 C"},
		{"M500.1   ", "it changes what the board has stored, the belt's calibration included"},
		{"G28      ", "axis Y has no end stop to home to"},
		{"G1 H1 Y-9", "G1 with H moves the belt up to an end stop, which it does not have"},
		{"G29      ", "it moves the machine, or shifts coordinates, in a way that cannot be followed"},
		{"M117 a*b ", "boards take a * for the end of the line, even in a text"},
	} {
		path := filepath.Join(t.TempDir(), "clip.gcode")
		text := start + "G1 X6 E5\nM106 S127\nG1 X7 E6\nM104 S0\n"
		check(t, os.WriteFile(path, []byte(text), 0o600))
		p := mustInspect(t, path, upright)
		check(t, os.WriteFile(path, []byte(strings.Replace(text, "M106 S127", c.line, 1)), 0o600))
		info, err := os.Stat(path)
		check(t, err)
		p.identity = identityOf(info)
		r, err := p.Open(Body)
		check(t, err)
		first, err := r.Next(nil)
		check(t, err)
		line, err := r.Next(nil)
		if string(first) != "G1 X6 E5" || len(line) > 0 || !errors.Is(err, ErrChanged) ||
			!strings.HasPrefix(err.Error(), fmt.Sprintf("cannot send line 9 of %s, ", path)) || !strings.Contains(err.Error(), ": "+c.why+"; the job file has changed") {
			t.Errorf("%s: %q was given out, then %q, %v", c.line, first, line, err)
		}
		check(t, r.Close())
	}
}
