package browser

import (
	"testing"

	"beltwarden/config"
	"beltwarden/supervisor"
)

// stale is what a page says that hears nothing of the daemon.
const stale = "No contact since"

// A page that is open follows the machine and what others record, without being
// loaded again.
func TestPageFollowsTheMachine(t *testing.T) {
	beside(t)
	w := newWorkshop(t, 0, func(c *config.Settings) { c.Hold.EveryParts = 2 })
	b := open(t, w.url, phone)
	w.reach(supervisor.Idle)
	b.visit("/")
	b.sees("Idle", "There is no lot yet")
	w.order("plant-stake clips", 12)
	b.sees("Held", "0 of 12 good")
	b.shot("held")
	w.visited(0.4, 2)
	b.sees("2 of 12 good")
	b.shot("counted")
	b.lawful()
	if n := b.watch.asked("GET /"); n != 1 {
		t.Errorf("the page was loaded %d times", n)
	}
}

// While the daemon is away the page says that it is old; when it is back, the page
// takes up the thread by itself.
func TestPageOutlivesTheDaemon(t *testing.T) {
	beside(t)
	w := newWorkshop(t, 0, func(c *config.Settings) { c.Hold.EveryParts = 2 })
	w.order("plant-stake clips", 12)
	w.reach(supervisor.Held)
	b := open(t, w.url, phone)
	b.visit("/")
	b.sees("Held", "0 of 12 good")
	b.watch.gone(true)
	w.stop()
	b.sees(stale)
	b.lawful()
	b.shot("stale")
	w.start()
	w.reach(supervisor.Idle)
	b.watch.gone(false)
	w.visited(0.4, 2)
	b.sees("2 of 12 good")
	b.shot("back")
	if b.says(stale) {
		t.Error("the page still says that it is old")
	}
}
