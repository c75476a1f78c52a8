package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"time"
	"unicode/utf8"
)

// progress shows on one line of a terminal how far a file has been read, how fast,
// and how long the rest takes. It keeps out of the way: nothing within the first
// half second, ten times a second at most, and gone at the end.
type progress struct {
	w     io.Writer
	width func() int // columns of the terminal now
	began time.Time
	drew  time.Time
	long  int // runes on the line now; 0 when it is empty
}

const (
	progressAfter = 500 * time.Millisecond
	progressEvery = 100 * time.Millisecond
)

// newProgress returns nothing to draw with unless w is a terminal that can take a
// line back.
func newProgress(w io.Writer) *progress {
	if !style(w).Terminal || os.Getenv("TERM") == "dumb" {
		return nil
	}
	return &progress{w: w, width: func() int { return style(w).Width }, began: time.Now()}
}

// read notes that so many bytes of the total are read.
func (p *progress) read(done, total int64) {
	now := time.Now()
	took := now.Sub(p.began)
	if took < progressAfter || now.Sub(p.drew) < progressEvery {
		return
	}
	p.drew = now
	width := p.width()
	text := progressLine(done, total, took, width-1) // the last column would wrap
	fmt.Fprint(p.w, p.back(width)+text)
	p.long = utf8.RuneCountInString(text)
}

// clear takes the line away.
func (p *progress) clear() {
	if p.long > 0 {
		fmt.Fprint(p.w, p.back(p.width()))
		p.long = 0
	}
}

// back returns to the line's beginning and empties it. A terminal made narrower has
// broken what was on it into several rows.
func (p *progress) back(width int) string {
	up := ""
	if width > 0 && p.long > width {
		up = fmt.Sprintf("\x1b[%dA", (p.long-1)/width)
	}
	return "\r" + up + "\x1b[J"
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
