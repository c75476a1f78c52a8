package browser

import (
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"

	"beltwarden/config"
	"beltwarden/supervisor"
)

// situation is one of the nine in which screens are looked at. The machine stays in it until the test ends.
type situation struct {
	name  string
	speed float64 // of the simulated machine, machine seconds per second; 0: as fast as possible
	alter func(*config.Settings)
	bring func(w *workshop)                 // the machine into it
	is    func(s *supervisor.Snapshot) bool // it is in it; looked at before and after the pictures
	cut   bool                              // the network between page and daemon goes away while the page is open
}

// situations are the nine, each with a machine of its own.
var situations = []situation{
	{name: "no-lot", bring: func(w *workshop) { w.reach(supervisor.Idle) },
		is: func(s *supervisor.Snapshot) bool { return s.State == supervisor.Idle && s.Lot == nil }},
	{name: "heating", speed: 1, bring: func(w *workshop) { w.order("plant-stake clips", 240); w.reach(supervisor.Starting) },
		is: func(s *supervisor.Snapshot) bool { return s.State == supervisor.Starting }},
	{name: "making", speed: 100, alter: longRun, bring: func(w *workshop) { w.making(12) },
		is: func(s *supervisor.Snapshot) bool { return s.State == supervisor.Execute }},
	{name: "held-for-check", alter: func(c *config.Settings) { c.Hold.EveryParts = 5 },
		bring: func(w *workshop) {
			w.order("plant-stake clips", 240)
			w.heldAgain(5)
			w.visited(0.4, 5, 38.0, 38.1)
			w.do(supervisor.Request{Command: supervisor.Unhold, By: "Ada"})
			w.heldAgain(10)
		},
		is: func(s *supervisor.Snapshot) bool {
			return s.State == supervisor.Held && s.Cause.Code == supervisor.CauseCheckParts
		}},
	{name: "suspended", alter: func(c *config.Settings) { longRun(c); c.Discharge.BinParts = 6 },
		bring: func(w *workshop) {
			w.reach(supervisor.Idle)
			w.do(supervisor.Request{By: "Ada", Visit: &supervisor.Visit{BinEmptied: true, Sure: true}})
			w.order("plant-stake clips", 240)
			w.reach(supervisor.Suspended)
		},
		is: func(s *supervisor.Snapshot) bool { return s.State == supervisor.Suspended }},
	// The heater stays on for good, so that nothing shows it to be off.
	{name: "heat-fault", alter: longRun, speed: 100, bring: func(w *workshop) {
		w.hot = true
		w.making(2)
		w.fail("full-heat")
		w.reach(supervisor.Aborted)
	}, is: func(s *supervisor.Snapshot) bool {
		return s.State == supervisor.Aborted && s.HeatFault != "" && !s.Heat.Proved
	}},
	{name: "cable-out", alter: longRun, speed: 100, bring: func(w *workshop) {
		w.making(2)
		w.fail("unplug")
		within(longest, func() bool { return w.app.Snapshot().Heat.Unsure })
		w.t.Cleanup(func() { // so that the daemon can show at its end that the heaters are off
			w.rig.Replug()
			if !within(longest, func() bool { return w.app.Snapshot().Line.Connected }) {
				w.t.Errorf("with the cable in again the board is not reached: %s", w.app.Snapshot().Line.Problem)
			}
		})
	}, is: func(s *supervisor.Snapshot) bool { return s.Heat.Unsure && !s.Line.Connected }},
	{name: "complete", bring: func(w *workshop) {
		w.order("plant-stake clips", 4)
		w.reach(supervisor.Complete)
		w.visited(0.4, 4, 38.0, 38.1)
	}, is: func(s *supervisor.Snapshot) bool {
		return s.State == supervisor.Complete && s.Lot.Good == 4 && s.Lot.Unverified == 0
	}},
	{name: "no-contact", speed: 100, alter: longRun, bring: func(w *workshop) { w.making(12) }, cut: true},
}

// longRun lets a lot run on for as long as anybody looks.
func longRun(c *config.Settings) {
	c.Hold.NoneAcknowledged, c.Hold.EveryParts, c.Hold.EveryTravelMM, c.Hold.Every = true, 0, 0, 0
	c.Belt.WorstDriftMMPerM = 1e-4
}

// making orders a long lot and waits until so many parts are made.
func (w *workshop) making(parts int) {
	w.t.Helper()
	w.order("plant-stake clips", 2400)
	var s *supervisor.Snapshot
	if !within(longest, func() bool {
		s = w.app.Snapshot()
		return s.State == supervisor.Execute && s.Lot.Made >= parts
	}) {
		w.t.Fatalf("the machine is %s (%s) after %d parts", s.State, s.Cause.Text, s.Lot.Made)
	}
}

// inEach opens a page in each of the nine situations and has it looked at. Of the last, no contact, the page must not be
// loaded again: the daemon is out of reach, and a page that is live says lost.
func inEach(t *testing.T, path, lost string, look func(t *testing.T, x situation, b *tab)) {
	t.Helper()
	for _, x := range situations {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			alter := x.alter
			if alter == nil {
				alter = func(*config.Settings) {}
			}
			w := newWorkshop(t, x.speed, alter)
			x.bring(w)
			l := newLine(t, strings.TrimPrefix(w.url, "http://"))
			b := open(t, "http://"+l.addr, desk)
			b.visit(path)
			if lost != "" { // it is kept live
				within(longest, func() bool { return b.watch.asked("GET /stream")+b.watch.asked("GET /wall/stream") > 0 })
			}
			if x.cut {
				b.watch.gone(true)
				l.cut()
				b.sees(lost)
			} else if s := w.app.Snapshot(); !x.is(s) {
				t.Fatalf("the machine is %s (%s)", s.State, s.Cause.Text)
			}
			look(t, x, b)
			if !x.cut {
				if s := w.app.Snapshot(); !x.is(s) {
					t.Errorf("while it was looked at the machine became %s (%s)", s.State, s.Cause.Text)
				}
			}
		})
	}
}

// sizes of screens at which the nine situations are looked at.
var sizes = []screen{usualPhone, {820, 1180}, {1440, 900}}

// The page of now in each of the nine situations, for eyes, for the rules and for a thumb.
func TestNowInNineSituations(t *testing.T) {
	withoutRace(t)
	beside(t)
	inEach(t, "/", stale, func(t *testing.T, x situation, b *tab) {
		for _, size := range sizes {
			b.pictured(size)
		}
		for _, size := range []screen{usualPhone, smallPhone} {
			b.resize(size)
			got := b.thumb(x.name)
			if want := map[string]string{"no-lot": "Begin a lot", "complete": "Begin a lot"}[x.name]; got.MainName != want && (want != "" || got.MainName != "Record a visit") {
				t.Errorf("the main action is %q, want %q", got.MainName, want)
			}
			if aborted := x.name == "heat-fault" || x.name == "cable-out"; aborted != (got.Abort == nil) {
				t.Errorf("Abort stands at %.0f", got.Abort)
			}
		}
	})
}

// The form of a visit in each of them.
func TestVisitInNineSituations(t *testing.T) {
	withoutRace(t)
	beside(t)
	inEach(t, "/visit", "", func(_ *testing.T, _ situation, b *tab) {
		for _, size := range sizes {
			b.pictured(size)
		}
	})
}

// pictured holds a page to the rules at a size of screen, and keeps pictures of it, light and dark.
func (b *tab) pictured(size screen) {
	b.t.Helper()
	b.resize(size)
	b.lawful()
	for _, scheme := range []string{"light", "dark"} {
		b.media(scheme)
		b.shot(nameOf(size, scheme))
	}
	b.media("light")
}

// nameOf names a picture by its size and scheme.
func nameOf(s screen, scheme string) string { return fmt.Sprintf("%dx%d-%s", s.wide, s.high, scheme) }

// line is a network between browser and daemon that can be cut.
type line struct {
	addr string
	to   string
	l    net.Listener
	mu   sync.Mutex
	open map[net.Conn]bool // nil once it is cut
	done sync.WaitGroup
}

// newLine returns one to an address, until the test ends.
func newLine(t *testing.T, to string) *line {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	x := &line{addr: l.Addr().String(), to: to, l: l, open: map[net.Conn]bool{}}
	x.done.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			x.done.Go(func() { x.join(c) })
		}
	})
	t.Cleanup(func() { x.cut(); x.done.Wait() })
	return x
}

// join carries bytes both ways until one end closes.
func (x *line) join(c net.Conn) {
	d, err := net.Dial("tcp", x.to)
	if err != nil || !x.keep(c, d) {
		_ = c.Close()
		return
	}
	x.done.Go(func() { _, _ = io.Copy(d, c); _ = d.Close(); _ = c.Close() })
	_, _ = io.Copy(c, d)
	_, _ = d.Close(), c.Close()
	x.mu.Lock()
	defer x.mu.Unlock()
	delete(x.open, c)
	delete(x.open, d)
}

// keep notes connections, unless the line is cut: then it closes them.
func (x *line) keep(list ...net.Conn) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, c := range list {
		if x.open == nil {
			_ = c.Close()
		} else {
			x.open[c] = true
		}
	}
	return x.open != nil
}

// cut ends every connection, and takes no more. It can be called twice.
func (x *line) cut() {
	_ = x.l.Close()
	x.mu.Lock()
	defer x.mu.Unlock()
	for c := range x.open {
		_ = c.Close()
	}
	x.open = nil
}
