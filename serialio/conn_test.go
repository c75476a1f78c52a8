package serialio

import "testing"

func TestStreamPlain(t *testing.T) {
	for _, window := range []int{0, 128, 1024} {
		board := func() *board {
			b := newBoard()
			b.rxSize = max(window, 128)
			return b
		}
		within(t, board, Options{WindowBytes: window}, func(x *bench) {
			e := x.wait(EventSynced)
			if e.LastNumber != 0 || e.Reset {
				t.Errorf("synced: %+v", e)
			}
			x.stream(program1(2000))
			x.stream(program1(3))
			x.conn.SendControl(3, "M105")
			if e := x.wait(EventDone); e.ID != 3 {
				t.Errorf("ask: %+v", e)
			}
			if last := x.events[len(x.events)-2]; last.Kind != EventReport || last.Reply.Temps.NozzleC != 25 {
				t.Errorf("no temperatures before done: %+v", last)
			}
			if s := x.conn.Stats(); s.LinesSent != 2005 || s.Resends != 0 || s.Timeouts != 0 || s.LinesAccepted != 2005 {
				t.Errorf("stats %+v", s)
			}
		})
	}
}
