package heat

import (
	"math"
	"strings"
	"testing"
	"time"
)

// guarded drives the readings of a nozzle into a guard. Its bed tells nothing.
type guarded struct {
	*Guard
	now     time.Duration
	targetC float64 // as the board tells it
	nobody  bool    // the board tells no target
	ever    bool    // it was shown to be off at some time
}

func newGuarded() *guarded {
	return &guarded{Guard: NewGuard(NozzleLimits(260, OverC), BedLimits(100, OverC))}
}

// read takes in one reading a second, of what c says at so many seconds, for so long.
func (g *guarded) read(d time.Duration, c func(s float64) float64) (why string) {
	m := Model{}
	for s := 1.0; s <= d.Seconds(); s++ {
		g.now += time.Second
		r := Reading{At: g.now, C: c(s), TargetC: g.targetC, Assumed: g.nobody}
		g.Observe(Nozzle, r, 0, &m)
		g.DecideProof(g.now)
		g.ever = g.ever || g.ShownOff()
		if w := g.WithdrawProof(Nozzle, r); w != "" && why == "" {
			why = w
		}
	}
	return why
}

func (g *guarded) heat(c float64) {
	g.Command(Nozzle, c)
	g.MarkMaybeOn()
	g.targetC = c
}

func (g *guarded) off() {
	g.Command(Nozzle, 0)
	g.targetC = 0
	g.MarkOffAccepted()
	g.BeginProof(g.now)
}

func level(c float64) func(float64) float64 { return func(float64) float64 { return c } }

// warmUp rises by 2 degrees a second, cools is Newton's law with a nozzle's time constant,
// swings is a controller that goes up and down.
func warmUp(s float64) float64 { return min(205, 22+2*s) }
func cools(from, tau float64) func(float64) float64 {
	return func(s float64) float64 { return newton(22, from, tau, s) }
}
func swings(c, by float64) func(float64) float64 {
	return func(s float64) float64 { return c + by*math.Sin(s/6) }
}

// TestProofOfOff: a heater is said to be off when its own sensor, which was seen to follow
// it, falls and stays fallen, or is cold. Each case is a reading with which a heater may
// well be on.
func TestProofOfOff(t *testing.T) {
	for name, c := range map[string]struct {
		shown bool
		says  string
		play  func(g *guarded)
	}{
		"held, then cools": {true, "nozzle fell from 20", func(g *guarded) {
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.off()
			g.read(2*time.Minute, cools(205, 150))
		}},
		"on the way up, then cold": {true, "nozzle cold at", func(g *guarded) {
			g.heat(205)
			g.read(7*time.Second, warmUp)
			g.off()
			g.read(2*time.Minute, cools(36, 150))
		}},
		"a bed that an earlier process knew, and the board does not tell": {false, "bed: no reliable reading", func(g *guarded) {
			g.MarkPresent(Bed)
			g.AssumeOn()
			g.read(time.Minute, level(200))
			g.off()
			g.read(5*time.Minute, cools(200, 150))
		}},
		"that bed was taken away, as somebody has said": {true, "nozzle fell from 20", func(g *guarded) {
			g.MarkPresent(Bed)
			g.AssumeOn()
			g.read(time.Minute, level(200))
			g.Trust()
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.off()
			g.read(2*time.Minute, cools(205, 150))
		}},
		"never switched on": {true, "nozzle had no target", func(g *guarded) {
			g.read(time.Minute, level(22))
			g.off()
			g.read(time.Minute, level(22))
		}},
		"stuck cold since before it was heated": {false, "its sensor is in doubt", func(g *guarded) {
			g.heat(205)
			g.read(30*time.Second, level(22))
			g.off()
			g.read(5*time.Minute, level(22))
		}},
		"accused of being stuck": {false, "its sensor is in doubt", func(g *guarded) {
			g.heat(205)
			g.read(2*time.Minute, level(22))
			g.off()
			g.read(5*time.Minute, cools(205, 150))
		}},
		"stuck hot": {false, "when it must cool", func(g *guarded) {
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.off()
			g.read(5*time.Minute, level(205))
		}},
		"open": {false, "its sensor is in doubt", func(g *guarded) {
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.read(5*time.Second, level(-14))
			g.off()
			g.read(5*time.Minute, level(22))
		}},
		"short": {false, "its sensor is in doubt", func(g *guarded) {
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.read(5*time.Second, level(1100))
			g.off()
			g.read(5*time.Minute, cools(205, 150))
		}},
		"slipped off and found by that": {false, "its sensor is in doubt", func(g *guarded) {
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.read(90*time.Second, cools(205, 60))
			g.off()
			g.read(5*time.Minute, cools(60, 60))
		}},
		"slipped off a moment before": {false, "before the heater was switched off", func(g *guarded) {
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.read(10*time.Second, cools(205, 60))
			g.off()
			g.read(5*time.Minute, cools(170, 60))
		}},
		"slipped off a moment after": {false, "faster than the body cools", func(g *guarded) {
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.off()
			g.read(5*time.Minute, cools(205, 10))
		}},
		"the board still tells its target": {false, "still reports a target of 205", func(g *guarded) {
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.off()
			g.targetC = 205
			g.read(5*time.Second, level(205))
			g.read(2*time.Minute, swings(196, 0.2)) // it has lost more than enough, were it not for the target
		}},
		"still held, with a swing, by a board that tells no target": {false, "nozzle was found heating unasked", func(g *guarded) {
			g.nobody = true
			g.heat(205)
			g.read(2*time.Minute, warmUp)
			g.read(5*time.Minute, swings(205, 4))
			g.off()
			g.read(5*time.Minute, swings(205, 4))
		}},
		"on for good, then its sensor slips off": {false, "nozzle was found heating unasked", func(g *guarded) {
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.read(time.Minute, func(s float64) float64 { return 205 + s })
			g.off()
			g.read(5*time.Minute, cools(265, 80))
		}},
		"found on for good once shown to be off, then its sensor slips off": {false, "nozzle was found heating unasked", func(g *guarded) {
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.off()
			g.read(10*time.Second, cools(205, 150))
			g.read(time.Minute, func(s float64) float64 { return 190 + 2*s })
			g.read(5*time.Minute, cools(310, 80))
		}},
		"the nozzle is never reported, and was not heated": {false, "no reliable reading", func(g *guarded) {
			g.off()
			for range 60 {
				g.now += time.Second
				g.Observe(Bed, Reading{At: g.now, C: 25}, 0, &Model{})
				g.DecideProof(g.now)
			}
			g.ever = g.ShownOff()
		}},
		"reads cold and rises once it is off": {false, "its sensor has not been seen to follow its heater", func(g *guarded) {
			g.AssumeOn()
			g.off()
			g.read(40*time.Second, cools(41, 100))
			g.read(3*time.Minute, func(s float64) float64 { return 35 + s/30 })
		}},
		"rises through what is called cold": {false, "nozzle was found heating unasked", func(g *guarded) {
			g.heat(60)
			g.read(5*time.Second, warmUp)
			g.off()
			g.read(time.Minute, func(s float64) float64 { return 25 + s/2 })
		}},
	} {
		t.Run(name, func(t *testing.T) {
			g := newGuarded()
			c.play(g)
			if g.Proving() {
				g.FailProof(g.now)
			}
			if g.ShownOff() != c.shown || g.ever != c.shown || !strings.Contains(g.Text(), c.says) || !c.shown && !strings.Contains(g.Text(), "mains") {
				t.Errorf("shown %v: %s; want %v, %q", g.ShownOff(), g.Text(), c.shown, c.says)
			}
		})
	}
}

// TestADoubtIsToldAtOnce: nobody has to wait for the end of a proof that cannot come about.
func TestADoubtIsToldAtOnce(t *testing.T) {
	g := newGuarded()
	g.heat(205)
	g.read(2*time.Minute, level(22))
	g.off()
	g.read(time.Second, level(22))
	const want = "NOT shown to be off: nozzle: its sensor is in doubt: "
	if at := g.Text(); !g.Proving() || !strings.HasPrefix(at, want) || !strings.HasSuffix(at, "switch the machine off at the mains") {
		t.Errorf("one second after it was switched off: %s; want %s...", at, want)
	}
}

// TestProofIsWithdrawn: what was shown holds only as long as no reading counts against it.
func TestProofIsWithdrawn(t *testing.T) {
	for name, c := range map[string]struct {
		says string
		play func(g *guarded) string
	}{
		"a target appears": {"reports a target of 180", func(g *guarded) string {
			g.targetC = 180
			return g.read(5*time.Second, level(100))
		}},
		"one damaged target": {"", func(g *guarded) string {
			g.targetC = 180
			why := g.read(time.Second, level(100))
			g.targetC = 0
			return why + g.read(time.Minute, level(99))
		}},
		"it rises": {"has risen from 9", func(g *guarded) string {
			return g.read(time.Minute, func(s float64) float64 { return 100 + s/2 })
		}},
		"it cools on": {"", func(g *guarded) string { return g.read(10*time.Minute, cools(100, 150)) }},
	} {
		t.Run(name, func(t *testing.T) {
			g := newGuarded()
			g.heat(205)
			g.read(3*time.Minute, warmUp)
			g.off()
			g.read(130*time.Second, cools(205, 150))
			if !g.ShownOff() {
				t.Fatalf("not shown to be off: %s", g.Text())
			}
			why := c.play(g)
			if (why == "") != (c.says == "") || !strings.Contains(why, c.says) || g.ShownOff() != (why == "") {
				t.Errorf("withdrawn: %q, shown %v; want %q", why, g.ShownOff(), c.says)
			}
		})
	}
}

// Words on what was mended need not be true: a heater that is still on for good, or a sensor that
// is still stuck, is found again after them, as soon as at first.
func TestAFaultThatWasNotMendedIsFoundAgain(t *testing.T) {
	for name, c := range map[string]func(s float64) float64{
		"heater on for good": func(s float64) float64 { return 147 + math.Sin(s) },
		"sensor stuck":       level(120),
	} {
		g := newGuarded()
		g.off()
		for n := range 3 {
			begun, m := g.now, Model{}
			var found []Finding
			for len(found) == 0 && g.now < begun+time.Hour {
				g.now += 5 * time.Second
				found = g.Observe(Nozzle, Reading{At: g.now, C: c(g.now.Seconds())}, 0, &m)
			}
			if took := g.now - begun; len(found) == 0 || !found[0].Fault || took > 24*time.Minute {
				t.Errorf("%s, after %d words: %v after %s", name, n, found, took)
			}
			g.Trust()
		}
	}
}
