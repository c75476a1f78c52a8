package main

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
)

// witness reads the simulated machine's own record as it is written, and counts
// the parts in it with no help from the daemon: a part is begun with the first
// line of the job's body and made with its last. Between the two the machine must
// have executed the body's lines, each once, in order.
type witness struct {
	body []string // lines of the file, as they should go on the wire

	mu    sync.Mutex
	next  int // line of the body that comes next; 0: no part in progress
	begun int
	made  int
	torn  int // begun and given up
	lines int // executed in all
	// seen is called with mu held after each executed line.
	seen func(text string)
}

// asides are lines that travel with a job without being of it: line numbers, and
// questions.
var asides = regexp.MustCompile(`^(M110|M105|M155|M114|M115)\b`)

// What is left out of the body's lines on the wire: the zero before a point, and
// zeros at the end behind one.
var (
	zeroFirst = regexp.MustCompile(`([A-Z]-?)0\.`)
	zeroLast  = regexp.MustCompile(`(\.[0-9]*[1-9])0+( |$)`)
)

func shortened(line string) string {
	return zeroLast.ReplaceAllString(zeroFirst.ReplaceAllString(line, "$1."), "$1$2")
}

// bodyOf reads the lines first to last of a job, both included, as they should go
// on the wire. The line numbers are read off the file by hand.
func bodyOf(t testing.TB, path string, first, last int) (lines []string) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	seen := map[string]int{}
	n := 0
	for sc := bufio.NewScanner(f); sc.Scan(); {
		n++
		line := sc.Text()
		seen[shortened(line)]++
		if n >= first && n <= last && !strings.HasPrefix(line, ";") {
			lines = append(lines, shortened(line))
		}
	}
	for _, end := range []string{lines[0], lines[len(lines)-1]} {
		if seen[end] != 1 {
			t.Fatalf("%q stands %d times in %s, so it shows no part's end", end, seen[end], path)
		}
	}
	return lines
}

// Write takes whole lines of the record: sequence, number, seconds, text.
func (w *witness) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for line := range bytes.Lines(p) {
		_, rest, _ := bytes.Cut(line, []byte("\t"))
		_, rest, _ = bytes.Cut(rest, []byte("\t"))
		_, text, ok := bytes.Cut(bytes.TrimSuffix(rest, []byte("\n")), []byte("\t"))
		if !ok {
			return 0, fmt.Errorf("the record has the line %q", line)
		}
		w.executed(string(text))
	}
	return len(p), nil
}

func (w *witness) executed(text string) {
	w.lines++
	switch {
	case asides.MatchString(text):
	case w.next > 0 && text == w.body[w.next]:
		if w.next++; w.next == len(w.body) {
			w.made++
			w.next = 0
		}
	default:
		if w.next > 0 {
			w.torn++
			w.next = 0
		}
		if text == w.body[0] {
			w.begun++
			w.next = 1
		}
	}
	if w.seen != nil {
		w.seen(text)
	}
}

// tally is what the witness has seen.
type tally struct{ begun, made, torn, open, lines int }

func (w *witness) tally() tally {
	w.mu.Lock()
	defer w.mu.Unlock()
	return tally{w.begun, w.made, w.torn, min(w.next, 1), w.lines}
}

// tell has f called after each line that is executed from now on.
func (w *witness) tell(f func(text string)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.seen = f
}
