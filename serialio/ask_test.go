package serialio

import (
	"strings"
	"testing"
	"time"
)

// TestAskOrder: control lines go ahead of the program, in their own order, and
// their answers come before their end.
func TestAskOrder(t *testing.T) {
	within(t, func() *board {
		b := newBoard()
		b.lineTime = 20 * time.Millisecond
		b.execute = func(b *board, text string) {
			if text == "M114" {
				b.say("X:1.00 Y:2.00 Z:3.00 E:4.00 Count X:80 Y:160 Z:1200")
			}
		}
		return b
	}, Options{WindowBytes: 100, BootWait: -1}, func(x *bench) {
		x.wait(EventSynced)
		if err := x.conn.Run(1, &list{lines: program1(100)}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		x.conn.SendControl(2, "M114")
		x.conn.SendControl(3, "M105")
		began := time.Now()
		if e := x.wait(EventDone); e.ID != 2 {
			t.Fatalf("first to end: %+v", e)
		}
		if r := x.events[len(x.events)-2].Reply; !r.HasPosition || r.Position != [4]float64{1, 2, 3, 4} {
			t.Errorf("position %+v", r)
		}
		if e := x.wait(EventDone); e.ID != 3 {
			t.Fatalf("second to end: %+v", e)
		}
		if took := time.Since(began); took > 200*time.Millisecond {
			t.Errorf("answered after %v", took)
		}
		if e := x.wait(EventDone); e.ID != 1 {
			t.Fatalf("third to end: %+v", e)
		}
	})
}

// TestNothingTakesTheNumber: the line after one that sets the number is the
// program's own. A control line that took its number would let a caller believe
// that the board had been sent what it had not.
func TestNothingTakesTheNumber(t *testing.T) {
	for _, window := range []int{0, 120} {
		within(t, newBoard, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
			x.wait(EventSynced)
			src := &list{lines: withWords(60, "M110 N1000", "M110 N2000", "M110 N3000")}
			asked := uint64(100)
			src.handed = func() {
				asked++
				x.conn.SendControl(asked, "M105") // one is always waiting
			}
			if err := x.conn.Run(1, src); err != nil {
				t.Fatal(err)
			}
			for x.wait(EventDone).ID != 1 {
			}
			taken := x.board.record()
			for i, line := range taken {
				if strings.HasPrefix(line, "M110 N") && line != "M110 N9" && taken[i+1] == "M105" {
					t.Errorf("window %d: a control line took the number after %q", window, line)
				}
			}
		})
	}
}

// TestUrgent: emergency words reach the board with the window full, while getting
// in step, and when idle; the program is whole all the same.
func TestUrgent(t *testing.T) {
	within(t, func() *board {
		b := newBoard()
		b.lineTime = 30 * time.Millisecond
		return b
	}, Options{WindowBytes: 256, BootWait: time.Second}, func(x *bench) {
		x.conn.Urgent([]byte("M108\n"))
		x.wait(EventSynced)
		x.honest = true // the board says ok to the words too, which must not count
		go func() {
			for range 5 {
				time.Sleep(700 * time.Millisecond)
				x.conn.Urgent([]byte("M108\n"))
			}
		}()
		x.stream(program1(200))
		x.conn.Urgent([]byte("M108\n"))
		x.stream(program1(20))
		if len(x.board.urgent) != 7 {
			t.Errorf("board saw %d urgent words, want 7", len(x.board.urgent))
		}
	})
}
