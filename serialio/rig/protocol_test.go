package rig

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/serialio"
)

// The published lines of the community page "G-code", revision of 18 July 2012, as
// printed: the rig's own checksum must find them right.
func TestPublishedChecksums(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Board.Planner = 32 })
		h.lines()
		h.raw("N2 M110*" + strconv.Itoa(xor([]byte("N2 M110"))) + "\n")
		h.lines()
		lines := []string{"N3 T0*57", "N4 G92 E0*67", "N5 G28*22", "N6 G1 F1500.0*82", "N7 G1 X2.0 Y2.0 F3000.0*85", "N8 G1 X3.0 Y3.0*33"}
		for _, l := range lines[:2] {
			h.raw(l + "\n")
		}
		if got := h.lines(); !slices.Equal(got, []string{"ok", "ok"}) {
			t.Errorf("%q", got)
		}
		// N5 homes the belt and would never end; the next number is set instead.
		h.raw("N5 M110*" + strconv.Itoa(xor([]byte("N5 M110"))) + "\n")
		h.lines()
		for _, l := range lines[3:] {
			h.raw(l + "\n")
		}
		if got := h.lines(); !slices.Equal(got, []string{"ok", "ok", "ok"}) {
			t.Errorf("%q", got)
		}
		if f := r.Figures(); f.Rejected != 0 || f.LinesAccepted != 7 {
			t.Errorf("figures %+v", f)
		}
	})
	near(t, "N5 G28", float64(xor([]byte("N5 G28"))), 22, 0)
}

// What each board says to each kind of bad line, with two good lines behind it.
func TestRejection(t *testing.T) {
	for name, board := range Variations() {
		for _, bad := range []string{"N3 G92 E0*1", "N3 G92 E0", "G92 E0*5", frame(9, "G92 E0")} {
			synctest.Test(t, func(t *testing.T) {
				r, h := open(t, func(s *Settings) { s.Board = board })
				h.lines()
				h.do("G92 X1", "G92 X2")
				follow := frame(3, "G92 X3") + frame(4, "G92 X4")
				h.raw(strings.TrimRight(bad, "\n") + "\n" + follow)
				got := slices.DeleteFunc(h.lines(), func(s string) bool { return s == "wait" })
				if len(got) == 0 || !strings.HasPrefix(got[0], "Error:") || !strings.HasSuffix(got[0], "last line 2") {
					t.Fatalf("%s, %q: %q", name, bad, got)
				}
				want := resendPrefixes[board.Resend] + "3"
				if got[1] != want {
					t.Errorf("%s: request %q, want %q", name, got[1], want)
				}
				if ok := len(got) > 2 && strings.HasPrefix(got[2], "ok"); ok != board.OkAfterResend && name != "keep-no-ok" && len(got) == 2 {
					t.Errorf("%s: %q", name, got)
				}
				// The lines behind are good: they were on the wire still, not in the buffer.
				if f := r.Figures(); f.Rejected != 1 || f.LinesAccepted != 4 {
					t.Errorf("%s, %q: %d rejected, %d accepted", name, bad, f.Rejected, f.LinesAccepted)
				}
			})
		}
	}
}

// A bad line among those that wait in the receive buffer while the queue is full
// takes the ones behind it with it, or makes each of them a rejection of its own.
func TestRejectionInBuffer(t *testing.T) {
	for _, discard := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			r, h := open(t, func(s *Settings) { s.Board.DiscardOnError = discard })
			h.lines()
			h.raw(frame(1, "G4 S5") + frame(2, "M400") + frame(3, "M400") + frame(4, "M400") +
				"N5 M105*0\n" + frame(6, "M105") + frame(7, "M105"))
			got := h.line(time.Minute)
			for ; got == "ok" || strings.HasPrefix(got, "busy"); got = h.line(time.Minute) {
			}
			if !strings.HasPrefix(got, "Error:checksum") {
				t.Fatalf("first %q", got)
			}
			rest := strings.Join(h.lines(), " ")
			f := r.Figures()
			if discard && (f.Rejected != 1 || f.DiscardedBytes == 0 || strings.Count(rest, "Resend: 5") != 1) ||
				!discard && (f.Rejected != 3 || strings.Count(rest, "Resend: 5") != 3) {
				t.Errorf("discard %v: %d rejected, %d bytes gone, %q", discard, f.Rejected, f.DiscardedBytes, rest)
			}
		})
	}
}

func TestLineNumber(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, nil)
		h.lines()
		h.raw("N0 M110 N0*125\n") // computed: 125
		h.raw(frame(1, "G92 X1"))
		h.raw(frame(700, "M110 N41") + frame(42, "G92 X2") + "M105\nM110 N7\n" + frame(8, "G92 X3"))
		h.lines()
		var got []string
		for i, e := range r.Record() {
			if e.Seq != int64(i+1) {
				t.Errorf("sequence %d at %d", e.Seq, i)
			}
			got = append(got, fmt.Sprint(e.Number, " ", e.Text))
		}
		want := []string{"0 M110 N0", "1 G92 X1", "700 M110 N41", "42 G92 X2", "-1 M105", "-1 M110 N7", "8 G92 X3"}
		if !slices.Equal(got, want) {
			t.Errorf("record %q\nwant %q", got, want)
		}
	})
}

// Beyond the receive buffer bytes are lost without a word.
func TestOverflow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, nil)
		h.lines()
		h.raw(frame(1, "G4 S60"))
		sent := 1
		for n := int64(2); n <= 40; n++ {
			h.raw(frame(n, fmt.Sprintf("G1 X%d F600", n)))
			sent++
		}
		<-time.After(2 * time.Second)
		f := r.Figures()
		if f.MaxPendingBytes != 128 || f.Overflows == 0 || f.LinesAccepted != 4 || f.Rejected != 0 {
			t.Errorf("figures %+v", f)
		}
		<-time.After(10 * time.Minute)
		h.raw(frame(41, "G1 X0 F600"))
		<-time.After(time.Minute)
		f = r.Figures()
		if f.Rejected == 0 || f.LinesAccepted >= uint64(sent) || f.DamagedAccepted != 0 {
			t.Errorf("later: %+v", f)
		}
		for i, e := range r.Record() {
			if e.Number != int64(i+1) {
				t.Fatalf("record %d has number %d", i, e.Number)
			}
		}
	})
	// Within the buffer nothing is lost.
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, nil)
		h.lines()
		h.raw(frame(1, "G4 S60") + frame(2, "M400") + frame(3, "M400") + frame(4, "M400"))
		for n := int64(5); n <= 11; n++ {
			h.raw(frame(n, "G1 X10 F600")) // 17 bytes
		}
		<-time.After(2 * time.Minute)
		if f := r.Figures(); f.Overflows != 0 || f.LinesAccepted != 11 {
			t.Errorf("figures %+v", f)
		}
	})
}

func TestEmergency(t *testing.T) {
	full := frame(1, "M109 S200") + frame(2, "M400") + frame(3, "M400") + frame(4, "M400")
	for _, parser := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			r, h := open(t, func(s *Settings) { s.Board.EmergencyParser, s.Board.HeatReports = parser, false })
			h.lines()
			h.raw(full)
			h.raw(strings.Repeat("x", 200)) // the receive buffer is full as well
			h.raw("\nM112\n")
			<-time.After(time.Second)
			_, target, _, _ := r.Temperatures()
			if f := r.Figures(); (f.Halts == 1) != parser || (target == 0) != parser {
				t.Errorf("parser %v: halts %d, target %v", parser, f.Halts, target)
			}
			if !parser {
				return
			}
			if got := h.lines(); len(got) != 1 || !strings.Contains(got[0], "halted") {
				t.Errorf("%q", got)
			}
			h.raw("M105\n" + frame(5, "M105"))
			if got := h.lines(); got != nil {
				t.Errorf("a halted board answered %q", got)
			}
			r.Reset()
			if got := h.line(time.Minute); got != "start" {
				t.Errorf("after the button: %q", got)
			}
		})
	}
	synctest.Test(t, func(t *testing.T) {
		_, h := open(t, nil)
		h.lines()
		h.raw(frame(1, "M109 S200"))
		<-time.After(5 * time.Second)
		begin := time.Now()
		h.raw("M108\n")
		for h.line(time.Minute) != "ok" {
		}
		if d := time.Since(begin); d > time.Second {
			t.Errorf("M108 ended the wait after %v", d)
		}
	})
}

func TestAdvancedOkAndWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, h := open(t, func(s *Settings) { s.Board.AdvancedOk = true })
		h.lines()
		if got := h.do("G1 X10 F60"); !slices.Equal(got, []string{"ok N1 P15 B4"}) {
			t.Errorf("%q", got)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		_, h := open(t, func(s *Settings) { s.Board.Wait = time.Second })
		h.line(time.Minute)
		h.line(time.Minute)
		begin := time.Now()
		for range 5 {
			if got := h.line(time.Minute); got != "wait" {
				t.Fatalf("%q", got)
			}
		}
		near(t, "five waits", time.Since(begin).Seconds(), 5, 0.01)
	})
}

// One line across an empty board and back: its bytes at 115200, the latency twice,
// and three bytes of ok.
func TestRoundTrip(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, h := open(t, nil)
		h.lines()
		begin := time.Now()
		text := frame(1, "G92 X0")
		h.raw(text)
		h.line(time.Second)
		bytes := float64(len(text) + len("ok\n"))
		near(t, "round trip", time.Since(begin).Seconds(), bytes*86.805556e-6+2*500e-6, 1e-6)
	})
}

func TestLongLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Speed = 0 })
		h.lines()
		h.raw(frame(1, "M117 "+strings.Repeat("x", 3000)))
		if got := h.lines(); len(got) != 3 || !strings.Contains(got[0], "no checksum") {
			t.Errorf("%q", got)
		}
		h.raw("N1 M105 \x00\xff*3\n")
		h.lines()
		h.do("M105")
		if f := r.Figures(); f.Rejected != 2 || f.LinesAccepted != 1 {
			t.Errorf("figures %+v", f)
		}
	})
}

func TestWrongRate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, h := open(t, func(s *Settings) { s.Board.BaudRate = 250000 })
		for _, s := range h.lines() {
			if strings.Contains(s, "start") {
				t.Errorf("understood %q at the wrong rate", s)
			}
		}
	})
}

func TestSecondOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Board.ResetOnOpen = false })
		h.do("G92 X7")
		_, err := r.Open(context.Background(), serialio.Settings{Path: "rig"})
		var oe *serialio.OpenError
		if !errors.As(err, &oe) || oe.Reason != serialio.OpenBusy {
			t.Errorf("second open: %v", err)
		}
		h.port.Close()
		h.reopen(r)
		h.n = 1
		if got := h.do("M114"); !strings.HasPrefix(got[0], "X:7.00") {
			t.Errorf("the board has changed: %q", got)
		}
		r.Close()
		if _, err := h.port.Read(make([]byte, 1)); !errors.Is(err, serialio.ErrUnplugged) {
			t.Errorf("read after the machine is off: %v", err)
		}
		if _, err := r.Open(context.Background(), serialio.Settings{}); !errors.As(err, &oe) || oe.Reason != serialio.OpenAbsent {
			t.Errorf("open after the machine is off: %v", err)
		}
		if n := len(r.Record()); n != 2 {
			t.Errorf("%d lines on record after the end", n)
		}
	})
}

// A board that restarts in the middle of a line takes what is left of it for a line: the record shows it as damaged, and
// the line after it as sound.
func TestResetWithinLine(t *testing.T) {
	for _, c := range []struct {
		before, after string
		damaged       bool
	}{
		{"N1 M104 S20", "0\nM105\n", true},
		{"N1 ", "M104 S200\nM105\n", true},
		{"M105\n", "M104 S0\nM105\n", false},
	} {
		synctest.Test(t, func(t *testing.T) {
			r, h := open(t, func(s *Settings) { s.Board.BootTime = 0 })
			h.lines()
			h.raw(c.before)
			<-time.After(time.Second)
			seen := len(r.Record())
			r.Reset()
			h.raw(c.after)
			<-time.After(time.Second)
			got := r.Record()[seen:]
			if len(got) != 2 || got[0].Number != -1 || got[0].Damaged != c.damaged || got[1].Damaged {
				t.Errorf("%q, reset, %q: record %+v", c.before, c.after, got)
			}
		})
	}
}
