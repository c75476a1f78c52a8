package supervisor

import (
	"errors"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/ledger"
)

// alerts counts the calls to the operator in a step.
func alerts(out Output) (n int) {
	for _, r := range out.Records {
		if _, ok := r.(ledger.AlertQueued); ok {
			n++
		}
	}
	return n
}

// TestAbortOnALostCableStillCalls loses the cable while the heaters are being switched off: the
// operator must be called within the bound, and the search for the board must continue after that.
func TestAbortOnALostCableStillCalls(t *testing.T) {
	l, _ := killed(t)
	start := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	m, step := restartOn(t, l, start)
	step(LinkSynced{LastNumber: 5})
	step(LinkLost{serialio.ErrUnplugged})
	called := 0
	for range 100 {
		if _, ok := m.Deadline(); !ok {
			t.Fatalf("%s waits for nothing", m.State())
		}
		called += alerts(step(Tick{}))
		if m.link.phase == linkOpening {
			called += alerts(step(LinkFailed{errors.New("no such port")}))
		}
		if m.now.Sub(start) > 2*abortBound {
			break
		}
	}
	if m.State() != Aborted || called != 1 {
		t.Errorf("after %s: %s, operator called %d times; want Aborted, once", m.now.Sub(start), m.State(), called)
	}
	if !m.timers.armed(timerLink) && m.link.phase == linkDown {
		t.Error("nobody looks for the board, and its heaters may be on")
	}
}

// TestSwitchingOffIsNotBelievedOnALostLine: lines handed to a connection that then
// fails are no proof that the heaters are off.
func TestSwitchingOffIsNotBelievedOnALostLine(t *testing.T) {
	l, _ := killed(t)
	m, step := restartOn(t, l, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	step(LinkSynced{LastNumber: 5})
	m.state = Held
	m.guard.MarkMaybeOn()
	m.timers.set(timerHeatersOff, m.now)
	step(Tick{})
	step(LinkLost{serialio.ErrSilent})
	if !m.guard.MayBeOn() {
		t.Error("the heaters are taken for off, though the board never said that it had taken the word")
	}
}
