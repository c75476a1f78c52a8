package serialio

import (
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// list is a source over lines.
type list struct {
	lines    []string
	next     int
	accepted int
	fail     error // instead of io.EOF
	taken    func(l *list)
	handed   func() // a line was handed out
}

func (s *list) Next(dst []byte) ([]byte, error) {
	if s.next == len(s.lines) {
		if s.fail != nil {
			return dst, s.fail
		}
		return dst, io.EOF
	}
	s.next++
	if s.handed != nil {
		s.handed()
	}
	return append(dst, s.lines[s.next-1]...), nil
}

func (s *list) Unsent() { s.next-- }

func (s *list) Accepted(n int) {
	s.accepted += n
	if s.taken != nil {
		s.taken(s)
	}
}

func program1(n int) []string {
	lines := make([]string, n)
	for i := range lines {
		lines[i] = fmt.Sprintf("G1 X%d.%d Y%d E%.4f", i%200, i%10, i/7, float64(i)*0.0123)
	}
	return lines
}

// bench is one connection to one board inside a bubble.
type bench struct {
	t      *testing.T
	board  *board
	conn   *Conn
	events []Event
	honest bool // the board's replies arrive whole: acceptance must never be reported early
}

// within runs f inside a bubble with a connection to b, and closes it.
func within(t *testing.T, b func() *board, o Options, f func(x *bench)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		x := &bench{t: t, board: b()}
		x.conn = NewConn(x.board, o)
		var served sync.WaitGroup
		served.Go(x.board.serve)
		defer func() {
			if err := x.conn.Close(); err != nil {
				t.Errorf("close: %v", err)
			}
			x.board.Close()
			for range x.conn.Events() {
			}
			served.Wait()
			time.Sleep(time.Hour) // virtual: lets what the case started run out
		}()
		f(x)
	})
}

// wait receives events until one of the kinds comes, and returns it.
func (x *bench) wait(kinds ...EventKind) Event {
	x.t.Helper()
	limit := time.NewTimer(4 * time.Hour)
	defer limit.Stop()
	for {
		select {
		case e, ok := <-x.conn.Events():
			if !ok {
				x.t.Fatal("events ended")
			}
			x.events = append(x.events, e)
			for _, k := range kinds {
				if e.Kind == k {
					return e
				}
			}
			if e.Kind == EventLost {
				x.t.Fatalf("connection lost: %v", e.Err)
			}
		case <-limit.C:
			x.t.Fatal("no event in four hours")
		}
	}
}

// stream runs lines as one program to its end and compares the board's record.
func (x *bench) stream(lines []string) {
	x.t.Helper()
	before := len(x.board.record())
	src := &list{lines: lines}
	if x.honest {
		src.taken = func(s *list) {
			if n := len(x.board.record()) - before; s.accepted > n {
				x.t.Errorf("%d lines are reported as taken when the board had taken %d", s.accepted, n)
			}
		}
	}
	if err := x.conn.Run(7, src); err != nil {
		x.t.Fatal(err)
	}
	if e := x.wait(EventDone); e.ID != 7 {
		x.t.Fatalf("done: id %d, want 7", e.ID)
	}
	x.same(x.board.record()[before:], lines)
	if src.accepted != len(lines) {
		x.t.Errorf("accepted %d lines, want %d", src.accepted, len(lines))
	}
}

func (x *bench) same(got, want []string) {
	x.t.Helper()
	for i := range max(len(got), len(want)) {
		if i >= len(got) || i >= len(want) || got[i] != want[i] {
			x.t.Fatalf("board took %d lines, want %d; first difference at %d: got %.200q want %.200q",
				len(got), len(want), i, fmt.Sprint(got[min(i, len(got)):]), fmt.Sprint(want[min(i, len(want)):]))
		}
	}
	if x.board.overrun > x.board.over {
		x.t.Errorf("receive buffer overrun by %d bytes, want at most %d", x.board.overrun, x.board.over)
	}
}

var errSource = errors.New("disk on fire")
