package serialio

import (
	"strings"
	"testing"
	"time"
)

// small is the common small board: what lies unread beyond its buffer is lost.
func small(change func(*board)) func() *board {
	return func() *board {
		b := newBoard()
		b.rxSize = 64
		b.lineTime = 5 * time.Millisecond
		change(b)
		return b
	}
}

// TestPieces: lines go out in pieces to fill a small buffer, and arrive whole. The
// buffer of 64 bytes never runs over and is filled.
func TestPieces(t *testing.T) {
	within(t, small(func(*board) {}), Options{WindowBytes: 64, BootWait: -1}, func(x *bench) {
		x.wait(EventSynced)
		x.honest = true
		x.stream(program1(500))
		if x.board.unread < 60 {
			t.Errorf("the buffer held %d bytes at most: nothing went out in pieces", x.board.unread)
		}
		if s := x.conn.Stats(); s.Resends+s.Timeouts != 0 {
			t.Errorf("stats %+v", s)
		}
	})
}

// TestUrgentInsideALine: urgent words that come while half a line is out stand on a
// line of their own. The half is never completed, so that no board can read its end
// as a command; the line is sent again whole.
func TestUrgentInsideALine(t *testing.T) {
	for _, keep := range []bool{false, true} {
		within(t, small(func(b *board) { b.lineTime, b.keepUnread = 30*time.Millisecond, keep }), Options{WindowBytes: 64, BootWait: -1}, func(x *bench) {
			x.wait(EventSynced)
			x.honest = true
			go func() {
				for range 7 {
					time.Sleep(433 * time.Millisecond)
					x.conn.Urgent([]byte("M108\n"))
				}
			}()
			x.stream(program1(200))
			if len(x.board.urgent) != 7 {
				t.Errorf("keep %v: board saw %d urgent words, want 7", keep, len(x.board.urgent))
			}
			if len(x.board.stray) > 0 {
				t.Errorf("keep %v: lines without number reached the board: %q", keep, x.board.stray)
			}
		})
	}
}

// TestCancelInsideALine: a line that is half out when the program is cancelled is
// still sent to its end, and taken.
func TestCancelInsideALine(t *testing.T) {
	within(t, small(func(b *board) { b.lineTime = 30 * time.Millisecond }), Options{WindowBytes: 64, BootWait: -1}, func(x *bench) {
		x.wait(EventSynced)
		lines := program1(200)
		src := &list{lines: lines}
		if err := x.conn.Run(7, src); err != nil {
			t.Fatal(err)
		}
		time.Sleep(500 * time.Millisecond)
		x.conn.Cancel()
		x.wait(EventCancelled)
		if src.next < 10 || src.next == len(lines) || src.accepted != src.next {
			t.Errorf("%d lines handed out, %d accepted", src.next, src.accepted)
		}
		x.same(x.board.record(), lines[:src.next])
		x.stream(program1(20))
	})
}

// TestImpatientBoard: a board that rejects a line whose end does not come soon gets
// whole lines once that shows.
func TestImpatientBoard(t *testing.T) {
	within(t, small(func(b *board) {
		b.rxSize = 0
		b.queue, b.lineTime, b.patience = 4, 300*time.Millisecond, 200*time.Millisecond
	}), Options{WindowBytes: 128, BootWait: -1}, func(x *bench) {
		x.wait(EventSynced)
		x.stream(program1(300))
		if x.board.gaveUp < 1 || x.board.gaveUp > 4 {
			t.Errorf("the board gave up on %d lines, want 3", x.board.gaveUp)
		}
	})
}

// TestFreeSlots: with no window set, a board that tells its free command slots is
// sent ahead of, within what it said and within the smallest receive buffer. One
// that does not tell them gets one line at a time, and the figures say what would
// be faster.
func TestFreeSlots(t *testing.T) {
	short := make([]string, 400)
	for i := range short {
		short[i] = "G1 X" + strings.Repeat("1", 1+i%3)
	}
	cases := []struct {
		name        string
		advanced    bool
		slots       int
		lines       []string
		least, most int    // bytes ever unread
		hint        string // what it begins with
	}{
		{"plain", false, 0, short, 1, 20, "one line"},
		{"one slot", true, 1, short, 1, 20, "one line"},
		{"two slots", true, 2, short, 26, 34, "the board says"},
		{"many slots", true, 9999, short, 45, smallestBuffer, "the board says"},
		{"long lines", true, 9, program1(300), 40, smallestBuffer, "the board says"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			within(t, small(func(b *board) { b.advanced, b.slots = c.advanced, c.slots }), Options{BootWait: -1}, func(x *bench) {
				x.wait(EventSynced)
				x.board.unread = 0
				x.honest = true
				x.stream(c.lines)
				if n := x.board.unread; n < c.least || n > c.most {
					t.Errorf("%d bytes unread at most, want %d to %d", n, c.least, c.most)
				}
				if s := x.conn.Stats(); !strings.HasPrefix(s.Hint, c.hint) || s.Resends+s.Timeouts != 0 {
					t.Errorf("stats %+v", s)
				}
			})
		})
	}
}
