package serialio

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestWindow drives the window against a model board that keeps the rule of the
// protocol (right number, next in turn) and answers with oks that may be lost or
// doubled, and requests. Whatever happens, the board takes each line once and in
// order, the budget holds, and the board's word brings the window back.
func TestWindow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.SampledFrom([]int{0, 60, 128, 500}).Draw(t, "limit")
		w := newWindow(limit)
		w.next = 1
		var (
			wire  [][]byte // frames on their way, in order
			oks   int      // oks on their way
			last  int64    // the model board's count
			taken []string // what it took
			sent  []string // what was numbered, barriers included
		)
		transmit := func() {
			out, n := w.take(nil, 1000, time.Time{})
			frames := bytes.SplitAfter(out, []byte("\n"))
			if frames = frames[:len(frames)-1]; len(frames) != n {
				t.Fatalf("%d frames, said %d", len(frames), n)
			}
			wire = append(wire, frames...)
		}
		resync := func() {
			wire, oks = nil, 0
			pos := w.locate(last + 1)
			if n := len(taken); pos == int64(n)+1 && sent[n] == fmt.Sprintf("M110 N%d", last) {
				taken = append(taken, sent[n]) // it would have changed nothing
			}
			if pos != int64(len(taken)) {
				t.Fatalf("board took %d lines and wants %d; located at %d (base %d acked %d end %d)",
					len(taken), last+1, pos, w.base, w.acked, w.end)
			}
			w.restart(pos)
		}
		t.Repeat(map[string]func(*rapid.T){
			"push": func(t *rapid.T) {
				text := rapid.StringMatching(`G1 X[0-9]{1,20}`).Draw(t, "text")
				if !w.fits(len(text)) {
					t.Skip()
				}
				w.push(ownProgram, 0, []byte(text))
				sent = append(sent, text)
				transmit()
			},
			"barrier": func(t *rapid.T) {
				if !w.settled() || int64(len(taken)) != w.end {
					t.Skip()
				}
				k := rapid.Int64Range(0, 30).Draw(t, "number")
				w.pushBarrier(ownProgram, 0, k)
				sent = append(sent, fmt.Sprintf("M110 N%d", k))
				transmit()
			},
			"board takes": func(t *rapid.T) {
				if len(wire) == 0 {
					t.Skip()
				}
				n, text, err := ParseFrame(wire[0])
				if err != nil {
					t.Fatal(err)
				}
				if _, is, _ := lineNumberWord(text); n == last+1 || is {
					last = n
					taken = append(taken, string(text))
					oks++
				}
				wire = wire[1:]
			},
			"ok arrives": func(t *rapid.T) {
				if oks == 0 {
					t.Skip()
				}
				oks--
				w.ack()
			},
			"ok with number": func(t *rapid.T) {
				if oks == 0 {
					t.Skip()
				}
				oks--
				if w.ackNumber(last); w.certain > int64(len(taken)) {
					t.Fatalf("certain up to %d, board took %d", w.certain, len(taken))
				}
			},
			"ok is lost": func(t *rapid.T) {
				if oks == 0 {
					t.Skip()
				}
				oks--
			},
			"ok too many": func(t *rapid.T) {
				if w.acked-int64(len(taken)) < keepAccepted/2 {
					w.ack()
				}
			},
			"board is asked": func(t *rapid.T) {
				if len(wire) > 0 {
					t.Skip()
				}
				resync()
				transmit()
			},
			"line is lost": func(t *rapid.T) {
				if len(wire) == 0 {
					t.Skip()
				}
				wire = wire[1:]
				resync()
				transmit()
			},
			"": func(t *rapid.T) {
				if w.base > w.acked || w.acked > w.sent || w.sent > w.end || w.sent > w.peak {
					t.Fatalf("positions out of order: %+v", w)
				}
				bytes := 0
				for pos := w.acked; pos < w.sent; pos++ {
					bytes += len(w.at(pos).frame)
				}
				if bytes != w.bytes || (limit > 0 && bytes > limit) || (limit == 0 && w.inFlight() > 1) {
					t.Fatalf("%d bytes in flight, counted %d, limit %d", bytes, w.bytes, limit)
				}
				for i, s := range taken {
					if s != sent[i] {
						t.Fatalf("line %d taken is %q, sent was %q", i, s, sent[i])
					}
				}
			},
		})
		// In the end nothing is lost: the board is asked, and gets the rest.
		for int64(len(taken)) < w.end {
			resync()
			transmit()
			for _, f := range wire {
				n, text, _ := ParseFrame(f)
				if _, is, _ := lineNumberWord(text); n == last+1 || is {
					last = n
					taken = append(taken, string(text))
				}
			}
		}
		for i, s := range sent {
			if taken[i] != s {
				t.Fatalf("line %d taken is %q, sent was %q", i, taken[i], s)
			}
		}
	})
}

func TestWindowRefusesWhatNeverFits(t *testing.T) {
	for _, limit := range []int{0, 64, 4096} {
		w := newWindow(limit)
		n := w.maxText()
		if !w.fits(n) && limit > 0 {
			t.Errorf("limit %d: text of %d bytes does not fit", limit, n)
		}
		if limit > 0 && w.fits(n+1) {
			t.Errorf("limit %d: text of %d bytes fits", limit, n+1)
		}
	}
}
