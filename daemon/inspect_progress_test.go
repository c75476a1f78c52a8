package main

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"github.com/creack/pty"
)

// Any width from 20 to 200 columns is kept, and each shows the percent.
func TestProgressLineFits(t *testing.T) {
	for columns := 1; columns <= 200; columns++ {
		for _, done := range []int64{0, 1, 47_000_000, 999_999_999, 1_000_000_000, 2_000_000_000} {
			got := progressLine(done, 1_000_000_000, 3*time.Second, columns)
			if n := utf8.RuneCountInString(got); n > columns {
				t.Fatalf("%d columns for %d: %q", n, columns, got)
			}
			if columns >= 19 && !strings.Contains(got, "%") {
				t.Fatalf("no percent in %d columns: %q", columns, got)
			}
		}
	}
	// 300 MB of 1000 in 3 s: 100 MB/s, and 700 MB take 7 s more.
	want := "reading |============............................|  30 % 100 MB/s, 7 s left"
	if got := progressLine(300_000_000, 1_000_000_000, 3*time.Second, 79); got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got := progressLine(300_000_000, 1_000_000_000, 3*time.Second, 19); got != " 30 % 100 MB/s" {
		t.Errorf("narrow: %q", got)
	}
	if got := progressLine(5, 0, time.Second, 79); strings.Contains(got, "left") || strings.Contains(got, "N") {
		t.Errorf("no total: %q", got)
	}
}

// Nothing for half a second, ten times a second at most, nothing left behind.
func TestProgressKeepsOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		p := &progress{w: &out, width: func() int { return 80 }, began: time.Now()}
		for range 49 {
			time.Sleep(10 * time.Millisecond)
			p.read(1, 100)
		}
		p.clear()
		if out.Len() > 0 {
			t.Errorf("a short read shows %q", out.String())
		}
		for range 2000 { // 2 s
			time.Sleep(time.Millisecond)
			p.read(50, 100)
		}
		if n := strings.Count(out.String(), "%"); n < 18 || n > 21 {
			t.Errorf("drawn %d times in 2 s", n)
		}
		p.clear()
		if !strings.HasSuffix(out.String(), "\r \x1b[J\r") {
			t.Errorf("it ends in %q", out.String()[out.Len()-20:])
		}
	})
}

// The width is asked for at each drawing, and the cursor rests where the line begins:
// a terminal that breaks the line when it is made narrower keeps it there.
func TestProgressAfterResize(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		columns := 80
		p := &progress{w: &out, width: func() int { return columns }, began: time.Now()}
		for _, columns = range []int{80, 30, 200, 20} {
			out.Reset()
			time.Sleep(time.Second)
			p.read(300_000_000, 1_000_000_000)
			text, ok := strings.CutPrefix(out.String(), "\x1b[?7l\r")
			text, end := strings.CutSuffix(text, "\x1b[J\r\x1b[?7h")
			if n := utf8.RuneCountInString(text); !ok || !end || n >= columns || n < columns/2-30 || strings.ContainsAny(text, "\x1b\r\n") {
				t.Errorf("%d columns: %q", columns, out.String())
			}
		}
	})
}

// slowFile is a job that takes the program longer than half a second to read,
// whatever the computer: made of one part's lines, over and over.
func slowFile(t *testing.T, size int) string {
	t.Helper()
	text := []byte("G1 X10.25 Y1.5 E0.021 F1800 ; a clip's wall\nG1 X20.25 Y0.5 E0.021\n")
	path := filepath.Join(t.TempDir(), "long.gcode")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for n := 0; n < size; {
		chunk := bytes.Repeat(text, 10_000)
		if _, err := f.Write(chunk); err != nil {
			t.Fatal(err)
		}
		n += len(chunk)
	}
	return path
}

// On a terminal the bar is drawn and cleaned away; in a pipe, and on a terminal that
// cannot take a line back, nothing is.
func TestProgressOnATerminal(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	bin := shipped(t)
	job := slowFile(t, 200<<20)
	on := func(env ...string) string {
		c := withParent(exec.Command(bin, "inspect", job))
		c.Env = append(os.Environ(), env...)
		var stdout bytes.Buffer
		c.Stdout = &stdout
		master, slave, err := pty.Open()
		if err != nil {
			t.Skipf("no pseudo-terminal here: %v", err)
		}
		defer master.Close()
		if err := pty.Setsize(master, &pty.Winsize{Cols: 60, Rows: 20}); err != nil {
			t.Fatal(err)
		}
		c.Stderr = slave
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		slave.Close()
		all, _ := io.ReadAll(master) // ends in an error when the other end closes
		_ = c.Wait()                 // the job is refused or not: here only the bar matters
		if strings.Contains(stdout.String(), "MB/s") {
			t.Error("the bar is on the output")
		}
		return string(all)
	}
	got := on("TERM=xterm", "NO_COLOR=1")
	bars := regexp.MustCompile(`reading \|=*\.*\| +\d+ % \d+ MB/s`).FindAllString(got, -1)
	if len(bars) == 0 {
		t.Fatalf("no bar in %q", got)
	}
	after := got[strings.LastIndex(got, bars[len(bars)-1]):]
	if !strings.Contains(after, "\x1b[?7h\r \x1b[J\r") {
		t.Errorf("the last bar is not cleaned away: %q", after)
	}
	for _, line := range strings.Split(got, "\r") {
		if bar, _, _ := strings.Cut(line, "\x1b"); strings.Contains(bar, "MB/s") && utf8.RuneCountInString(bar) > 59 {
			t.Errorf("%q is wider than the terminal", bar)
		}
	}
	if regexp.MustCompile("\x1b\\[[0-9;]*m").MatchString(got) {
		t.Errorf("colour in %q", got)
	}
	if got := on("TERM=dumb"); strings.Contains(got, "MB/s") || strings.Contains(got, "\x1b") {
		t.Errorf("on a dumb terminal: %q", got)
	}
	c := withParent(exec.Command(bin, "inspect", job))
	c.Env = append(os.Environ(), "TERM=xterm")
	var stderr bytes.Buffer
	c.Stderr = &stderr
	_ = c.Run()
	if strings.Contains(stderr.String(), "MB/s") {
		t.Errorf("in a pipe: %q", stderr.String())
	}
}
