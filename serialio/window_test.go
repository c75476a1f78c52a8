package serialio

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestWindow drives the window against a model board that keeps the rule of the
// protocol (right number, next in turn) and answers with oks that may be lost or
// doubled, and requests. Some boards name the line of each ok, others the newest that they
// have taken by then. Whatever happens, the board takes each line once and in
// order, the budget holds, and the board's word brings the window back.
func TestWindow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.SampledFrom([]int{0, 60, 128, 500}).Draw(t, "limit")
		own := rapid.Bool().Draw(t, "oks name their own line")
		w := newWindow(limit)
		w.next = 1
		var (
			wire  []byte   // on its way; it may end within a line
			oks   []int64  // oks on their way, by the line that each is for
			last  int64    // the model board's count
			taken []string // what it took
			sent  []string // what was numbered, barriers included
			lied  bool     // an answer has claimed too much since the board was last asked
		)
		transmit := func(most int) {
			out, n := w.appendSendable(nil, most, time.Time{})
			if got := bytes.Count(out, []byte("\n")); got != n {
				t.Fatalf("%d line ends in %q, said %d", got, out, n)
			}
			if n > most {
				t.Fatalf("%d lines, asked for %d", n, most)
			}
			wire = append(wire, out...)
			if w.part == 0 {
				return
			}
			if rest := w.at(w.sent).frame[w.part:]; w.whole || limit == 0 || strings.ContainsAny(string(rest), "GMTN") ||
				!strings.ContainsRune(".0123456789", rune(rest[0])) {
				t.Fatalf("a line was cut before %q", rest)
			}
		}
		resync := func() {
			wire, oks = nil, nil
			if rapid.Bool().Draw(t, "rejected") {
				w.noteRejection(w.locate(last + 1))
			}
			pos := w.locate(last + 1)
			if n := len(taken); pos == int64(n)+1 && sent[n] == fmt.Sprintf("M110 N%d", last) {
				taken = append(taken, sent[n]) // it would have changed nothing
			}
			if pos != int64(len(taken)) {
				t.Fatalf("board took %d lines and wants %d; located at %d (base %d acked %d end %d)",
					len(taken), last+1, pos, w.base, w.acked, w.end)
			}
			w.restart(pos)
			lied = false
		}
		t.Repeat(map[string]func(*rapid.T){
			"push": func(t *rapid.T) {
				text := rapid.StringMatching(`G1 X[0-9]{1,20}`).Draw(t, "text")
				if !w.fits(len(text)) {
					t.Skip()
				}
				w.push(ownProgram, 0, []byte(text))
				sent = append(sent, text)
				transmit(rapid.SampledFrom([]int{1, 1000}).Draw(t, "most"))
			},
			"barrier": func(t *rapid.T) {
				if !w.allAccepted() || int64(len(taken)) != w.end {
					t.Skip()
				}
				k := rapid.Int64Range(0, 30).Draw(t, "number")
				w.pushBarrier(ownProgram, 0, k)
				sent = append(sent, fmt.Sprintf("M110 N%d", k))
				transmit(rapid.SampledFrom([]int{1, 1000}).Draw(t, "most"))
			},
			"board takes": func(t *rapid.T) {
				line, rest, ended := bytes.Cut(wire, []byte("\n"))
				if !ended {
					t.Skip()
				}
				n, text, err := parseFrame(line)
				if err != nil {
					t.Fatal(err)
				}
				if _, is, _ := lineNumberWord(text); n == last+1 || is {
					last = n
					taken = append(taken, string(text))
					oks = append(oks, n)
				}
				wire = rest
			},
			"send on": func(*rapid.T) { transmit(1000) },
			"free slots are reported": func(t *rapid.T) {
				w.noteFreeSlots(rapid.IntRange(0, 9999).Draw(t, "free"))
				if w.boardLines > maxBoardLines {
					t.Fatalf("believes that the board holds %d lines", w.boardLines)
				}
			},
			"ok arrives": func(t *rapid.T) {
				if len(oks) == 0 {
					t.Skip()
				}
				oks = oks[1:]
				w.ack()
			},
			"ok with number": func(t *rapid.T) {
				if len(oks) == 0 {
					t.Skip()
				}
				n := oks[0]
				if !own {
					n = last
				}
				oks = oks[1:]
				if w.ackNumber(n); w.certain > int64(len(taken)) {
					t.Fatalf("certain up to %d, board took %d", w.certain, len(taken))
				}
			},
			"ok with a damaged number": func(t *rapid.T) {
				most := min(w.sent, int64(len(taken))+keepAccepted/2)
				if len(oks) == 0 || lied || most <= w.base {
					t.Skip()
				}
				oks = oks[1:]
				lied = true
				pos := rapid.Int64Range(w.base, most-1).Draw(t, "claimed")
				if w.ackNumber(w.at(pos).number); w.certain > int64(len(taken)) {
					t.Fatalf("certain up to %d by one damaged number, board took %d", w.certain, len(taken))
				}
			},
			"request with a damaged number": func(t *rapid.T) {
				most := min(w.peak, int64(len(taken))+keepAccepted/2)
				if len(wire) > 0 || lied || most < w.acked {
					t.Skip()
				}
				resync()
				lied = true
				pos := rapid.Int64Range(w.acked, max(w.acked, most)).Draw(t, "claimed")
				if w.restart(pos); w.certain > int64(len(taken)) {
					t.Fatalf("certain up to %d by one damaged request, board took %d", w.certain, len(taken))
				}
			},
			"ok is lost": func(t *rapid.T) {
				if len(oks) == 0 {
					t.Skip()
				}
				oks = oks[1:]
			},
			"ok too many": func(t *rapid.T) {
				if w.acked-int64(len(taken)) < keepAccepted/2 {
					w.ack()
					lied = true
				}
			},
			"board is asked": func(t *rapid.T) {
				if len(wire) > 0 {
					t.Skip()
				}
				resync()
				transmit(rapid.SampledFrom([]int{1, 1000}).Draw(t, "most"))
			},
			"line is lost": func(t *rapid.T) {
				if len(wire) == 0 {
					t.Skip()
				}
				resync()
				transmit(rapid.SampledFrom([]int{1, 1000}).Draw(t, "most"))
			},
			"": func(t *rapid.T) {
				if w.base > w.acked || w.acked > w.sent || w.sent > w.end || w.sent > w.peak {
					t.Fatalf("positions out of order: %+v", w)
				}
				bytes := 0
				for pos := w.acked; pos < w.sent; pos++ {
					bytes += len(w.at(pos).frame)
				}
				if bytes += w.part; bytes != w.bytes || (limit > 0 && bytes > limit) ||
					(limit == 0 && w.inFlight() > 1 && (bytes > smallestBuffer || w.inFlight() > maxBoardLines)) {
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
			transmit(1000)
			for len(wire) > 0 {
				line, rest, ended := bytes.Cut(wire, []byte("\n"))
				if !ended {
					break
				}
				wire = rest
				n, text, _ := parseFrame(line)
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

// TestAnswersPassedOver: a board that names the newest line it has taken answers two lines by
// the same number. The second answer, damaged on its way, names the one line in flight,
// which the board has never taken: it must not be certain, or a part would be called made
// without its last move. The next answer in turn makes all certain.
func TestAnswersPassedOver(t *testing.T) {
	w := newWindow(128)
	w.next = 1
	push := func() { w.push(ownProgram, 0, []byte("G1 X1")); w.appendSendable(nil, 9, time.Time{}) }
	push()
	push()
	w.ackNumber(2)
	push()
	w.ackNumber(3)
	if w.certain != 0 {
		t.Errorf("certain up to %d by an answer to the line before, damaged", w.certain)
	}
	push()
	if w.ackNumber(4); w.certain != 4 {
		t.Errorf("certain up to %d, want 4", w.certain)
	}
}

func TestWindowRefusesWhatNeverFits(t *testing.T) {
	for _, limit := range []int{0, 64, 4096} {
		w := newWindow(limit)
		n := w.maxText()
		if !w.fits(n) {
			t.Errorf("limit %d: text of %d bytes does not fit", limit, n)
		}
		w.push(ownProgram, 0, bytes.Repeat([]byte("7"), n))
		if _, sent := w.appendSendable(nil, 1, time.Time{}); sent != 1 {
			t.Errorf("limit %d: text of %d bytes does not go out whole", limit, n)
		}
		if most := max(limit, maxFrameBytes*(1-min(limit, 1))); w.bytes > most {
			t.Errorf("limit %d: %d bytes in flight", limit, w.bytes)
		}
	}
}

// TestCutBefore: where a line may be cut. The frames are worked out by hand.
func TestCutBefore(t *testing.T) {
	const frame = "N12 G1 X10.5 Y2*87\n"
	want := map[int]int{0: 0, 4: 0, 5: 5, 6: 5, 8: 8, 9: 9, 10: 10, 11: 11, 12: 11, 13: 11, 14: 14, 16: 16, 17: 17, 18: 17, 99: 17}
	for room, n := range want {
		if got := cutPoint([]byte(frame), room); got != n {
			t.Errorf("room for %d bytes: cut %q | %q, want at %d", room, frame[:got], frame[got:], n)
		}
	}
	if got := cutPoint([]byte("N7 M117 5 GO*1\n"), 9); got != 0 {
		t.Errorf("a line was cut before a word that reads as a command, at %d", got)
	}
}

// TestSplitsEnd: a board that rejects lines that came in pieces gets whole lines
// from the third time on, also after it has lost its count.
func TestSplitsEnd(t *testing.T) {
	w := newWindow(64)
	text := []byte("G1 X10.125 Y20.250 E1.23456")
	for range maxSplitRejections {
		w.push(ownProgram, 0, text)
		w.push(ownProgram, 0, text)
		if out, _ := w.appendSendable(nil, 9, time.Time{}); out[len(out)-1] == '\n' {
			t.Fatalf("nothing was divided: %q", out)
		}
		w.noteRejection(w.sent)
		w.restart(w.end)
	}
	w.clear()
	w.push(ownProgram, 0, text)
	w.push(ownProgram, 0, text)
	if out, n := w.appendSendable(nil, 9, time.Time{}); n != 1 || out[len(out)-1] != '\n' {
		t.Errorf("still divides: %q", out)
	}
}
