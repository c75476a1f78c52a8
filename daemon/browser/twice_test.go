package browser

import (
	"testing"

	"beltwarden/config"
	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

// checks returns the visits of the first lot.
func (w *workshop) checks() []client.Check {
	w.t.Helper()
	c := client.New(w.set.Server.Socket)
	defer c.Close()
	lot, err := c.Lot(w.t.Context(), 1)
	if err != nil {
		w.t.Fatal(err)
	}
	return lot.Checks
}

// A form that is sent twice is carried out once: by a nervous finger, and by one who
// goes back and sends it again. With scripts and without.
func TestSentTwiceDoneOnce(t *testing.T) {
	for _, scripts := range []bool{true, false} {
		w := newWorkshop(t, 0, func(c *config.Settings) { c.Hold.EveryParts = 2 })
		w.order("plant-stake clips", 12)
		w.reach(supervisor.Held)
		b := open(t, w.url, phone)
		b.scripts(scripts)
		b.visit("/visit")
		b.fill("Good", "2")
		b.click(b.find("Record only", presses...), 2)
		b.sees("2 of 12 good")
		if got := w.checks(); len(got) != 1 || got[0].Good != 2 {
			t.Fatalf("pressed twice, recorded %d times (scripts %v): %+v", len(got), scripts, got)
		}
		b.shot("recorded")
		b.back()
		b.find("Record only", presses...)
		b.shot("gone-back")
		b.press("Record only")
		b.sees("") // whatever is answered
		if got := w.checks(); len(got) != 1 {
			t.Errorf("sent again after going back, recorded %d times (scripts %v): %+v", len(got), scripts, got)
		}
		b.shot("sent-again")
	}
}
