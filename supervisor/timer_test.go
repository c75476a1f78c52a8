package supervisor

import (
	"slices"
	"testing"
	"time"
)

// TestTimers: the first due is the deadline, each fires once and in the order of its time, a stopped
// one does not, and none outlives its state.
func TestTimers(t *testing.T) {
	start := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	var w timers
	if _, ok := w.next(); ok {
		t.Error("something is due before anything was set")
	}
	w.set(timerSave, start.Add(3*time.Second))
	w.set(timerPoll, start.Add(time.Second))
	w.set(timerHeatersOff, start.Add(2*time.Second))
	if at, ok := w.next(); !ok || at != start.Add(time.Second) {
		t.Errorf("first %v %v", at, ok)
	}
	for s := Stopped; s <= Complete; s++ {
		v := w
		v.enter(s)
		if !v.armed(timerSave) || v.armed(timerHeatersOff) != (s == Held || s == Suspended) {
			t.Errorf("%s: %v", s, v)
		}
	}
	var order []timer
	w.run(start.Add(5*time.Second), func(n timer) {
		order = append(order, n)
		if w.armed(n) {
			t.Errorf("timer %d is armed while it fires", n)
		}
		switch n {
		case timerPoll:
			w.set(timerPoll, start.Add(6*time.Second))
			w.stop(timerHeatersOff)
			w.set(timerWait, start) // due, but not before the next run
		}
	})
	if want := []timer{timerPoll, timerSave}; !slices.Equal(order, want) {
		t.Errorf("fired %v, want %v", order, want)
	}
	if at, _ := w.next(); at != start {
		t.Errorf("next %v", at)
	}
}

// TestEveryTimerDoesSomething: a timer that is armed and has no handler would wake the machine
// forever.
func TestEveryTimerDoesSomething(t *testing.T) {
	for n := range timerCount {
		inBubble(t, func(t *testing.T) {
			l, _ := killed(t)
			m, step := restartOn(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
			m.timers = timers{}
			m.timers.set(n, m.now)
			step(Tick{})
			if at, ok := m.Deadline(); ok && !at.After(m.now) {
				t.Errorf("timer %d is due again at once", n)
			}
		})
	}
}
