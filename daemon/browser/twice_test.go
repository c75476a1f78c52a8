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
// goes back and sends it again, whether the browser has kept the page or asks for it again.
// With scripts and without.
func TestSentTwiceDoneOnce(t *testing.T) {
	beside(t)
	for _, scripts := range []bool{true, false} {
		w := newWorkshop(t, 0, func(c *config.Settings) { c.Hold.EveryParts = 2 })
		w.order("plant-stake clips", 12)
		w.reach(supervisor.Held)
		b := open(t, w.url, phone)
		b.scripts(scripts)
		b.visit("/visit")
		form := b.path()
		b.fill("Good", "2")
		b.click(b.find("Record only", presses...), 2)
		b.sees("2 of 12 good")
		if got := w.checks(); len(got) != 1 || got[0].Good != 2 {
			t.Fatalf("pressed twice, recorded %d times (scripts %v): %+v", len(got), scripts, got)
		}
		b.shot("recorded")
		b.back()
		if !within(longest, func() bool {
			return b.path() == form && (b.has("Record only", presses...) || b.says("This visit is recorded"))
		}) {
			t.Fatalf("going back led to %s: %s", b.path(), b.words())
		}
		b.shot("gone-back")
		if b.says("This visit is recorded") {
			t.Log("the browser has asked for the page anew")
		} else {
			b.press("Record only")
			b.sees("2 of 12 good")
		}
		b.visit(form) // as the browser does when it has not kept the page
		b.sees("This visit is recorded")
		b.shot("asked-anew")
		if got := w.checks(); len(got) != 1 {
			t.Errorf("sent again after going back, recorded %d times (scripts %v): %+v", len(got), scripts, got)
		}
		b.shot("sent-again")
	}
}
