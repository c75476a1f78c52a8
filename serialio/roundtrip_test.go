package serialio

import (
	"testing"
	"time"
)

// TestRoundTrips: a line is counted in the class whose end it does not exceed.
func TestRoundTrips(t *testing.T) {
	var r RoundTrips
	for _, d := range []time.Duration{0, time.Millisecond, time.Millisecond + 1, 4 * time.Second, 5 * time.Second, time.Hour} {
		r.observe(d)
	}
	r.Add(r)
	want := map[int]uint64{0: 4, 1: 2, 11: 4, 12: 2}
	for i, n := range r.Counts {
		if n != want[i] {
			t.Errorf("class %d holds %d lines, want %d", i, n, want[i])
		}
	}
	if sum := 2 * (2*time.Millisecond + 1 + 9*time.Second + time.Hour); r.Sum != sum || r.Lines() != 12 {
		t.Errorf("%d lines in %v, want 12 in %v", r.Lines(), r.Sum, sum)
	}
}

// TestRoundTripsOfALine: every accepted line is counted once, with the time that the
// board takes for it, one at a time and with several in flight.
func TestRoundTripsOfALine(t *testing.T) {
	for _, advanced := range []bool{false, true} {
		within(t, func() *board {
			b := newBoard()
			b.lineTime, b.advanced, b.slots = 7*time.Millisecond, advanced, 1
			return b
		}, Options{BootWait: -1}, func(x *bench) {
			x.wait(EventSynced)
			x.stream(program1(100))
			s := x.conn.Stats()
			if n := s.RoundTrips.Lines(); n != s.LinesAccepted || s.RoundTrips.Counts[3] != n || s.RoundTrips.Sum != time.Duration(n)*7*time.Millisecond {
				t.Errorf("%d lines accepted, counted %+v", s.LinesAccepted, s.RoundTrips)
			}
		})
	}
}
