package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"time"
)

// progress shows on one line of a terminal how far a file has been read, how fast,
// and how long the rest takes. It keeps out of the way: nothing within the first
// half second, ten times a second at most, and gone at the end.
type progress struct {
	w     io.Writer
	width func() int // columns of the terminal now
	began time.Time
	drew  time.Time
	shown bool
}

const (
	progressAfter = 500 * time.Millisecond
	progressEvery = 100 * time.Millisecond
)

// A terminal made narrower breaks the line into several rows, and says so only later.
// So the cursor rests where the line begins, the line is written over, and what lies
// below it is erased: right whatever the width has become. Nothing is erased from a
// row's first column, since some terminals take that for clearing the screen, and keep a
// copy of it.
const (
	below  = "\x1b[J\r"
	noWrap = "\x1b[?7l"
	wrap   = "\x1b[?7h"
)

// newProgress returns nothing to draw with unless w is a terminal that can take a
// line back.
func newProgress(w io.Writer) *progress {
	if !style(w).Terminal || os.Getenv("TERM") == "dumb" {
		return nil
	}
	return &progress{w: raw(w), width: func() int { return style(w).Width }, began: time.Now()}
}

// read notes that so many bytes of the total are read.
func (p *progress) read(done, total int64) {
	now := time.Now()
	took := now.Sub(p.began)
	if took < progressAfter || now.Sub(p.drew) < progressEvery {
		return
	}
	p.drew = now
	p.shown = true
	fmt.Fprint(p.w, noWrap+"\r"+progressLine(done, total, took, p.width()-1)+below+wrap)
}

// clear takes the line away.
func (p *progress) clear() {
	if p.shown {
		fmt.Fprint(p.w, "\r "+below)
		p.shown = false
	}
}

// progressLine fits so many columns: percent first, then as much of the rest, the
// bar taking what room is left.
func progressLine(done, total int64, took time.Duration, columns int) string {
	share := 0.0
	if total > 0 {
		share = max(0, min(1, float64(done)/float64(total)))
	}
	text := fmt.Sprintf("%3.0f %%", math.Floor(100*share))
	add := func(more string) {
		if len(text)+len(more) <= columns {
			text += more
		}
	}
	perSecond := float64(done) / took.Seconds()
	add(fmt.Sprintf(" %.0f MB/s", perSecond/1e6))
	if share > 0 && share < 1 && perSecond > 0 {
		add(", " + left(time.Duration(float64(total-done)/perSecond*float64(time.Second))) + " left")
	}
	if room := min(40, columns-len(text)-len("reading || ")); room >= 5 {
		full := int(share * float64(room))
		text = "reading |" + strings.Repeat("=", full) + strings.Repeat(".", room-full) + "| " + text
	}
	return text[:min(len(text), max(0, columns))]
}

// left writes the time that remains, rounded up: a bar that promises too little
// annoys.
func left(d time.Duration) string {
	s := int64(math.Ceil(d.Seconds()))
	switch {
	case s < 100:
		return fmt.Sprintf("%d s", s)
	case s < 100*60:
		return fmt.Sprintf("%d min", (s+59)/60)
	default:
		return fmt.Sprintf("%d h", (s+3599)/3600)
	}
}
