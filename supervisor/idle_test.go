package supervisor

import (
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
)

// dozing is a run on a board that supports M85, in the middle of its second part.
func dozing(t *testing.T) *run {
	t.Helper()
	set := testSettings()
	set.BoardIdle = 70 * time.Minute // longer than any wait of the run
	rs := testRig()
	rs.Board = rig.Variations()["dozing"]
	return making(t, rs, set)
}

// TestTheBoardSwitchesItselfOff: when the cable is cut for good in the middle of a part, nothing on
// the computer can switch the heaters off. The board does, by the idle timeout it was given.
func TestTheBoardSwitchesItselfOff(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := dozing(t)
		x.rig.Unplug()
		time.Sleep(time.Hour)
		if _, nt, _, bt := x.rig.Temperatures(); nt == 0 || bt == 0 {
			t.Fatalf("targets %.0f and %.0f °C after an hour: this shows nothing", nt, bt)
		}
		time.Sleep(30 * time.Minute)
		if _, nt, _, bt := x.rig.Temperatures(); nt != 0 || bt != 0 || x.rig.Figures().Halts != 1 {
			t.Errorf("targets %.0f and %.0f °C after an hour and a half, %d halts", nt, bt, x.rig.Figures().Halts)
		}
		x.rig.Replug()
		x.rig.Reset()
		time.Sleep(time.Minute)
	})
}

// TestTheBoardIsNotIdleInOrder: a whole lot with a long hold, its heaters off, does not make the board
// halt, and the timeout is cancelled whenever the heaters go off.
func TestTheBoardIsNotIdleInOrder(t *testing.T) {
	withoutRace(t)
	inBubble(t, func(t *testing.T) {
		x := dozing(t)
		x.do(Request{Command: Hold})
		x.until(Held, 2*time.Hour)
		time.Sleep(9 * time.Hour)
		x.do(Request{Command: Unhold})
		x.until(Complete, 5*time.Hour)
		time.Sleep(9 * time.Hour)
		if n := x.rig.Figures().Halts; n != 0 {
			t.Errorf("%d halts", n)
		}
		var words []string
		for _, e := range x.rig.Record() {
			if strings.HasPrefix(e.Text, "M85") && (len(words) == 0 || words[len(words)-1] != e.Text) {
				words = append(words, e.Text)
			}
		}
		if want := []string{"M85 S0", "M85 S4200", "M85 S0", "M85 S4200", "M85 S0"}; !slices.Equal(words, want) {
			t.Errorf("the board was told %q, want %q", words, want)
		}
	})
}
