package rig

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// stubborn delivers lines over a bad wire: after a request or a silence it waits
// until the board is quiet, ends whatever it has half read, and sends again from the
// number that is wanted.
func stubborn(h *host, texts []string) error {
	sent := 0
	for n := int64(1); n <= int64(len(texts)); {
		if sent++; sent > 20*len(texts)+200 {
			return fmt.Errorf("no end: at line %d", n)
		}
		h.raw(frame(n, texts[n-1]))
		for waiting := true; waiting; {
			s := h.line(12 * time.Second)
			want, asked := request(s)
			switch {
			case strings.HasPrefix(s, "read: "):
				return errors.New(s)
			case asked && want >= 1 && want <= int64(len(texts))+1:
				for q := h.line(300 * time.Millisecond); q != ""; q = h.line(300 * time.Millisecond) {
					if w, again := request(q); again && w >= 1 && w <= int64(len(texts))+1 {
						want = w
					}
				}
				h.raw("\n")
				<-time.After(100 * time.Millisecond)
				n, waiting = want, false
			case strings.HasPrefix(s, "ok"):
				n, waiting = n+1, false
			case s == "" || s == "wait":
				waiting = false // ask again: the number keeps it from being done twice
			}
		}
		if n > int64(len(texts)) {
			// Make sure of the last one: this number is refused, and names the next.
			for range 10 {
				h.raw("\n" + frame(1999999999, "M105"))
				last := int64(0)
				for q := h.line(3 * time.Second); q != ""; q = h.line(300 * time.Millisecond) {
					if w, ok := request(q); ok {
						last = w
					}
				}
				if last >= 1 && last <= int64(len(texts))+1 {
					n = last
					break
				}
			}
		}
	}
	return nil
}

func request(s string) (int64, bool) {
	for _, p := range []string{"Resend:", "rs N", "rs "} {
		if rest, ok := strings.CutPrefix(s, p); ok {
			n, err := strconv.ParseInt(strings.TrimSpace(rest), 10, 64)
			return n, err == nil
		}
	}
	return 0, false
}

// Every board under every wire fault: a careful sender gets every line through, each
// exactly once, and the record shows it.
func TestEveryBoardOnABadWire(t *testing.T) {
	var texts []string
	for i := range 150 {
		texts = append(texts, fmt.Sprintf("G1 X%d.%d Y%d E%d F3000", i%90, i%10, i%70, i))
	}
	total := make(map[string]uint64)
	for name, board := range Variations() {
		for seed := range uint64(3) {
			synctest.Test(t, func(t *testing.T) {
				r, h := open(t, func(s *Settings) {
					s.Board, s.Seed = board, seed
					for _, k := range []FaultKind{Flip, Drop, Double} {
						s.Faults = append(s.Faults, Fault{Kind: k, Rate: 3e-4})
					}
					for _, k := range []FaultKind{LoseOk, LoseResend, RepeatResend, Garbage} {
						s.Faults = append(s.Faults, Fault{Kind: k, Rate: 0.02})
					}
					s.Faults = append(s.Faults, Fault{Kind: Busy, Rate: 0.003, For: 20 * time.Second},
						Fault{Kind: Delay, Rate: 1e-4, For: 700 * time.Millisecond})
				})
				h.lines()
				if err := stubborn(h, texts); err != nil {
					t.Fatalf("%s, seed %d: %v", name, seed, err)
				}
				<-time.After(time.Minute)
				var got []string
				for _, e := range r.Record() {
					if e.Number > 0 {
						got = append(got, e.Text)
					}
				}
				if !slices.Equal(got, texts) {
					t.Errorf("%s, seed %d: %d lines on record, %d sent, or not the same", name, seed, len(got), len(texts))
				}
				for k, n := range r.Figures().Faults {
					total[k] += n
				}
			})
		}
	}
	for _, k := range []FaultKind{Flip, Drop, Double, Delay, LoseOk, LoseResend, RepeatResend, Garbage, Busy} {
		if total[k.String()] == 0 {
			t.Errorf("no %v has happened: %v", k, total)
		}
	}
	t.Logf("faults injected: %v", total)
}
