package browser

import (
	"testing"

	"beltwarden/supervisor"
)

// Without scripts the screen loads itself again from time to time, and commands work.
func TestScreenWithoutScripts(t *testing.T) {
	beside(t)
	w := heldOnce(t)
	b := open(t, w.url, phone)
	b.scripts(false)
	b.visit("/")
	b.sees("Held", "0 of 12 good")
	w.visited(0.4, 2)
	b.sees("2 of 12 good")
	if b.watch.asked("GET /stream") != 0 {
		t.Error("a script has run: nothing was tried")
	}
	b.press("Unhold: go on")
	b.find("Unhold: go on", "heading")
	b.shot("asked-back")
	b.press("Unhold: go on")
	b.sees("The machine goes on")
	w.heldAgain(4)
	b.press("Now")
	b.press("Stop")
	b.find("Stop", "heading")
	b.shot("stop")
	b.press("Stop")
	b.sees("The machine is stopping")
	w.reach(supervisor.Stopped)
}

// What is against the machine's advice is refused, and done for a reason that is kept.
func TestCommandAgainstAdvice(t *testing.T) {
	beside(t)
	w := heldOnce(t)
	w.visited(3.6, 0)
	b := open(t, w.url, phone)
	b.visit("/")
	b.sees("Held")
	b.press("Unhold: go on")
	b.find("Unhold: go on", "heading")
	b.press("Unhold: go on")
	b.find("Reason to go on anyway", boxes...)
	b.lawful()
	b.shot("advised-against")
	b.fill("Reason to go on anyway", "the reading was wrong")
	b.press("Unhold: go on")
	b.sees("The machine goes on")
	w.heldAgain(4)
	b.visit("/lots/1")
	b.sees("the reading was wrong")
	b.shot("kept")
}
