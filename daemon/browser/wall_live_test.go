package browser

import (
	"net/http/httptest"
	"strings"
	"testing"

	"go.uber.org/zap"

	"beltwarden/daemon/access"
	pages "beltwarden/daemon/screen"
	"beltwarden/supervisor"
)

// A wall follows the machine, says by itself that contact is lost, and takes up again when the daemon is back.
func TestWallOutlivesTheDaemon(t *testing.T) {
	beside(t)
	w := heldOnce(t)
	b := open(t, w.url, wall)
	b.visit("/wall")
	b.sees("Come", "of 12")
	w.visited(0.4, 2)
	b.sees("Good 2 of 12")
	b.watch.gone(true)
	w.stop()
	b.sees("No contact", "Last known", "this is from")
	w.start()
	w.reach(supervisor.Idle)
	b.watch.gone(false)
	b.sees("Start", "Good 2 of 12")
	if b.says("No contact") {
		t.Error("with the daemon back the wall still says that there is no contact")
	}
	if n := b.watch.asked("GET /wall"); n != 1 {
		t.Errorf("the page was loaded %d times", n)
	}
}

// Without scripts the wall loads itself again from time to time, and shows the same.
func TestWallWithoutScripts(t *testing.T) {
	beside(t)
	w := heldOnce(t)
	b := open(t, w.url, wall)
	b.scripts(false)
	b.visit("/wall")
	b.sees("Come", "Good 0 of 12")
	w.visited(0.4, 2)
	b.sees("Good 2 of 12")
	if b.watch.asked("GET /wall/stream") != 0 {
		t.Error("a script has run: nothing was tried")
	}
}

// Danger is not replaced by lost contact: the mains are to be cut all the same.
func TestWallKeepsDangerWithoutContact(t *testing.T) {
	beside(t)
	gate, err := access.New(access.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(gate.Close)
	s := httptest.NewServer(gate.Handler(pages.NewWall(pages.WallOptions{Machines: worst()[:1], Log: zap.NewNop()})))
	t.Cleanup(s.Close)
	l := newLine(t, strings.TrimPrefix(s.URL, "http://"))
	b := open(t, "http://"+l.addr, wall)
	b.visit("/wall")
	b.sees("Cut the mains")
	within(longest, func() bool { return b.watch.asked("GET /wall/stream") > 0 })
	b.watch.gone(true)
	l.cut()
	b.sees("this is from")
	if !b.says("Cut the mains") {
		t.Errorf("without contact the wall says: %s", b.words())
	}
	for _, wrong := range b.legible(1) {
		t.Error(wrong)
	}
}
