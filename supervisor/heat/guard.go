package heat

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Guard is the one owner of what is known of each heater of a machine: what it was
// commanded, what the board reports, what was read and how long ago, whether its sensor may
// be believed, and whether it was shown to be off. It is pure: times are passed in, on one
// monotonic clock.
type Guard struct {
	heaters []*heater
	proving bool // a proof of off is under way, or stands
	began   time.Duration
	ended   bool   // it was decided
	text    string // how it ended, or stands
	shown   bool
	hot     bool // it ended with a heater that reads hot, or that the board keeps asking for heat
	untold  bool // see Untold
	left    bool // see Unknown
	taken   bool // the board has taken the words that switch off, and no heater was switched on since
}

// heater is what is known of one heater.
type heater struct {
	name       string
	coolS      float64
	watch      *Watch
	commandedC float64
	newest     Reading
	has        bool   // the board reports its reading
	there      bool   // it is known to be there: one that is no longer reported is not shown off by that
	told       bool   // the board reports its target
	on         bool   // it was commanded or reported to have a target since it was last shown to be off
	doubt      string // why its sensor is not to be believed
	burns      string // the finding that it is on though it ought not to be; stays until somebody has mended it
	lowC       float64
	lowSeen    bool
	moved      bool // its sensor has followed the heater since it was switched on
	swing      swing
	sunk       string // what its newest reading has lost against a target that it had reached
	proof      *Proof
	target     target
}

// Least time constants of cooling, seconds, with a fan at full speed: a nozzle's block and
// a bed hold more heat than this. Common practice, no source.
const (
	nozzleCoolS = 30
	bedCoolS    = 90
)

// movedC is by how much a reading must have risen to have followed its heater.
const movedC = 4

// NewGuard returns a guard of a nozzle and a bed of which nothing is known.
func NewGuard(nozzle, bed Limits) *Guard {
	return &Guard{taken: true, heaters: []*heater{
		{name: nozzle.Name, there: true, coolS: nozzleCoolS, watch: NewWatch(nozzle)},
		{name: bed.Name, coolS: bedCoolS, watch: NewWatch(bed)}}}
}

// of returns a heater by its index among those of [NewGuard].
func (g *Guard) of(i HeaterIndex) *heater { return g.heaters[i] }

// HeaterIndex names a heater of a [Guard].
type HeaterIndex int

// The heaters of a guard.
const (
	Nozzle HeaterIndex = iota
	Bed
)

func (i HeaterIndex) String() string { return [...]string{"nozzle", "bed"}[i] }

// Forget begins again with a board of which nothing is known. What accuses a sensor stays:
// a wire does not mend itself when a connection is made again.
func (g *Guard) Forget() {
	for _, h := range g.heaters {
		h.watch.Forget()
		h.has, h.newest, h.swing = false, Reading{}, swing{}
		h.moved, h.lowSeen, h.target = false, false, target{}
	}
}

// Command notes what a heater is commanded, degrees Celsius. It returns whether the heater is
// newly commanded to heat by that.
func (g *Guard) Command(i HeaterIndex, c float64) bool {
	h := g.of(i)
	if c == h.commandedC {
		return false
	}
	h.watch.Anew()
	if c > 0 {
		h.on = true
		if h.commandedC == 0 {
			h.moved, h.lowSeen = false, false
		}
	}
	h.commandedC = c
	return c > 0
}

// MayHeat notes that heaters may be on from here: they are switched on, or an earlier
// process has left them so.
func (g *Guard) MayHeat() { g.taken = false }

// Taken notes that the board has taken the words that switch the heaters off.
func (g *Guard) Taken() { g.taken = true }

// MayBeOn reports whether the board is not known to have taken the words that switch the
// heaters off since they were last on. That it has taken them does not show that they are.
func (g *Guard) MayBeOn() bool { return !g.taken }

// Unknown notes that an earlier process may have switched any heater on.
func (g *Guard) Unknown() {
	g.left = true
	for _, h := range g.heaters {
		h.on = true
	}
}

// There notes that a heater is known to be there, also while the board does not report it: it is not off
// for being silent.
func (g *Guard) There(i HeaterIndex) { g.of(i).there = true }

// Left reports whether an earlier process may have left heaters on, and they were not shown to be
// off since.
func (g *Guard) Left() bool { return g.left }

// Untold takes each heater whose target the board does not report for one that may have been on: a
// cold reading alone shows nothing of it.
func (g *Guard) Untold() { g.untold = true }

// blame notes a finding of more heat than was commanded. Such a heater may be on for good, and its
// sensor come out of it later: what it reads shows nothing from here on, until [Guard.Trust].
func (g *Guard) blame(h *heater, why string) {
	if h.burns == "" {
		h.burns = why
	}
	if h.proof != nil && !g.ended {
		h.proof.burns = true
	}
}

// mayBe reports whether a heater may have been on since it was last shown to be off.
func (g *Guard) mayBe(h *heater) bool { return h.on || g.untold && h.has && !h.told }

// Accuse notes why a sensor is not to be believed, until [Guard.Trust].
func (g *Guard) Accuse(i HeaterIndex, why string) {
	h := g.of(i)
	if h.doubt == "" {
		h.doubt = why
	}
	if h.proof != nil && !g.ended && h.proof.doubt == "" {
		h.proof.doubt = why
	}
}

// Trust believes all sensors again: somebody has said what was mended. What was found is
// found again where it is still so. A bed of which the board is silent was taken away.
func (g *Guard) Trust() {
	g.left = false
	for i, h := range g.heaters {
		h.doubt, h.burns, h.on = "", "", false // the mains were off for that
		h.there = h.there && !g.Silent(HeaterIndex(i))
		h.watch.Forget()
	}
}

// Silent reports whether the board reports the nozzle and not this heater.
func (g *Guard) Silent(i HeaterIndex) bool { return g.of(Nozzle).has && !g.of(i).has }

// Doubt returns the first thing that counts against a heater or its sensor until [Guard.Trust]; "" while
// nothing does.
func (g *Guard) Doubt() string {
	for _, h := range g.heaters {
		switch {
		case h.burns != "":
			return h.burns
		case h.doubt != "":
			return h.doubt
		case h.there && h.on && !h.has:
			return "the board reports no temperature of the " + h.name
		}
	}
	return ""
}

// Warm reports whether there is anything to be shown off: a heater that may have been on, or
// that is hot.
func (g *Guard) Warm() bool {
	return slices.ContainsFunc(g.heaters, func(h *heater) bool {
		return h.there && h.on || h.commandedC > 0 || h.has && (h.newest.C > proofCoolC || !h.newest.Assumed && h.newest.TargetC > 0)
	})
}

// accuses reports whether a finding counts against the sensor, be it together with the
// heater: which of the two it is cannot be known here.
func (k Kind) accuses() bool {
	switch k {
	case Absurd, Still, Slow, Fallen, Drifted:
		return true
	case Ceiling, Over:
	}
	return false
}

// Lacks reports whether a finding says that a heater gives no heat, or too little.
func (k Kind) Lacks() bool { return k == Slow || k == Fallen }

// Observe takes in a reading of one heater, and returns what is found by it. nearbyC is
// the temperature of a body close by that may warm this one.
func (g *Guard) Observe(i HeaterIndex, r Reading, nearbyC float64, m *Model) []Finding {
	h := g.of(i)
	h.has, h.there, h.newest = true, true, r
	h.told = h.told || !r.Assumed
	if !r.Assumed && r.TargetC > 0 {
		h.on = true
	}
	found := h.watch.Observe(r, nearbyC, m)
	for _, f := range found {
		if f.Kind.accuses() {
			g.Accuse(i, f.Text)
		}
		if f.Fault && (f.Kind == Over || f.Kind == Ceiling) {
			g.blame(h, f.Text)
		}
	}
	if w := h.watch; w.seen && sane(w.last.C) && (w.phase == rising || w.phase == holding) { // a rise while it is off shows no sound sensor
		c := w.last.C
		if !h.lowSeen || c < h.lowC {
			h.lowC, h.lowSeen = c, true
		}
		h.moved = h.moved || c >= h.lowC+movedC
	}
	if w := h.watch; w.phase == holding && (h.swing.seen || w.last.C >= w.last.TargetC-1) { // easing in is no swing
		h.swing.add(r.At, h.watch.last.C)
	} else if w.phase != holding {
		h.swing = swing{}
	}
	h.sunk = ""
	if w := h.watch; w.phase == holding && !w.anew && w.last.C < w.last.TargetC-w.lim.NearC {
		h.sunk = fmt.Sprintf("it fell to %.0f °C of %.0f before the heater was switched off", w.last.C, w.last.TargetC)
	}
	if h.proof != nil && !g.ended {
		h.proof.unmoved = g.mayBe(h) && !h.moved
		h.proof.Observe(r)
	}
	return found
}

// Gained is by how much the reading of a heater that is off has risen since it was.
func (g *Guard) Gained(i HeaterIndex) float64 { return g.of(i).watch.Gained() }

// Lost returns by how much a heater that had reached its target is below it, where that is as much as a
// loss of heat; else 0.
func (g *Guard) Lost(i HeaterIndex) float64 {
	w := g.of(i).watch
	if by := w.last.TargetC - w.last.C; w.phase == holding && !w.anew && by > w.lim.FallC {
		return by
	}
	return 0
}

// Stays reports whether a heater is driven and has not got warmer for so long that it would have.
func (g *Guard) Stays(i HeaterIndex) bool {
	w := g.of(i).watch
	return w.phase == rising && w.last.At-w.from >= staysFor && w.last.C < w.fromC+w.lim.RiseC
}

// Swapped says of a heater that does not warm up when the other does in its stead, and of one that warms up in
// the other's.
func (g *Guard) Swapped(found []Finding, other HeaterIndex) []Finding {
	for i, f := range found {
		switch gained := g.Gained(other); {
		case f.Kind == Slow && f.Fault && gained >= 8:
			found[i].Text += fmt.Sprintf("; meanwhile the %s, which is not being heated, has gained %.0f degrees: are the two heaters or sensors swapped?", other, gained)
		case f.Kind == Over && f.Fault && g.Stays(other):
			found[i].Text += fmt.Sprintf("; meanwhile the %s, which is being heated, has not gained: are the two heaters or sensors swapped?", other)
		}
	}
	return found
}

// staysFor is by when a heater that is driven has begun to warm its sensor; common practice, no source.
const staysFor = 30 * time.Second

// Sane reports whether the newest reading of a heater is one of a sound sensor, and not further
// from the one before than any body gets: the board's words bear no checksum.
func (g *Guard) Sane(i HeaterIndex) bool {
	w := g.of(i).watch
	return w.absurd == 0 && w.calm.sane()
}

// Off begins a proof that the heaters are off, now that they are switched off.
func (g *Guard) Off(at time.Duration) {
	g.proving, g.began, g.ended, g.shown, g.hot = true, at, false, false, false
	g.text = "not yet shown to be off by falling readings"
	for _, h := range g.heaters {
		p := NewProof(h.name)
		p.coolS, p.doubt, p.burns, p.unmoved = h.coolS, h.doubt, h.burns != "", g.mayBe(h) && !h.moved
		if c, ok := h.swing.width(); ok {
			p.fellC = proofFallC + c
		}
		if p.doubt == "" {
			p.doubt = h.sunk
		}
		h.proof = p
	}
}

// Drop ends the proof without an outcome: from here on heaters are switched on.
func (g *Guard) Drop() { g.proving, g.ended, g.shown, g.hot, g.text = false, false, false, false, "" }

// Proving reports whether a proof is under way and not decided.
func (g *Guard) Proving() bool { return g.proving && !g.ended }

// ProvingFor is how long the newest proof has been under way, or was begun ago.
func (g *Guard) ProvingFor(at time.Duration) time.Duration { return at - g.began }

// Shown reports whether the heaters were shown to be off, and are as far as is known.
func (g *Guard) Shown() bool { return g.shown }

// Failed reports whether the proof has ended without showing the heaters to be off, or cannot come about.
func (g *Guard) Failed() bool { return g.proving && g.ended && !g.shown || g.Hopeless() }

// Text says how the proof stands, or ended; "" where there was none. One that cannot come about
// is called so at once: its end would show nothing more.
func (g *Guard) Text() string {
	if !g.Hopeless() {
		return g.text
	}
	var list []string
	for _, h := range g.open() {
		if h.proof.hopeless() {
			list = append(list, h.proof.Text(0))
		}
	}
	return "NOT shown to be off: " + strings.Join(list, ", ") + switchOff
}

// needed lists the heaters that have to be shown to be off: all that may have been on, any other
// that is hot, and one that is there and no longer reported, or that something was found against.
func (g *Guard) needed() (list []*heater) {
	for _, h := range g.heaters {
		p := h.proof
		if h.there && (g.mayBe(h) || !p.seen || p.mostC > proofCoolC || p.targetC > 0 || p.hopeless()) || h.commandedC > 0 {
			list = append(list, h)
		}
	}
	return list
}

// Decide reports whether the proof under way has come about by now.
func (g *Guard) Decide(at time.Duration) bool {
	if !g.Proving() {
		return false
	}
	known := false
	for _, h := range g.heaters {
		known = known || h.has && h.proof.seen
	}
	for _, h := range g.needed() {
		if !h.proof.Shown() {
			return false
		}
	}
	if !known {
		return false
	}
	g.ended, g.shown, g.left = true, true, false
	g.text = "shown to be off: " + g.words(at)
	for _, h := range g.heaters {
		h.on = false
	}
	return true
}

// open lists the heaters of the proof under way that are not shown to be off.
func (g *Guard) open() []*heater {
	return slices.DeleteFunc(g.needed(), func(h *heater) bool { return h.proof.Shown() })
}

// Falling reports whether the proof under way is on its way: what is not shown to be off yet
// has lost a degree, and keeps losing.
func (g *Guard) Falling(at time.Duration) bool {
	return g.Proving() && !slices.ContainsFunc(g.open(), func(h *heater) bool { return at-h.proof.last > gap || !h.proof.falling() })
}

// Calm reports whether nothing indicates heat any more, though the proof under way may not be
// whole: each heater has no target and is cold, or has lost more than it swung.
func (g *Guard) Calm() bool {
	return !g.Proving() || !slices.ContainsFunc(g.open(), func(h *heater) bool { return !h.proof.calmed() })
}

// Hopeless reports whether the proof under way cannot come about: a sensor that it needs is in
// doubt, and not for its haste alone, or a heater was found to be on for good.
func (g *Guard) Hopeless() bool {
	return g.Proving() && slices.ContainsFunc(g.open(), func(h *heater) bool { return h.proof.hopeless() })
}

// Hot reports whether the proof has ended against a heater: it reads hot and does not fall, or
// the board keeps reporting a target.
func (g *Guard) Hot() bool { return g.hot }

const switchOff = "; switch the machine off at the mains"

// Fail ends a proof that has not come about in time.
func (g *Guard) Fail(at time.Duration) {
	g.ended = true
	g.hot = slices.ContainsFunc(g.open(), func(h *heater) bool { return h.proof.hot() })
	g.text = "NOT shown to be off: " + g.words(at) + switchOff
}

// Withdraw takes a reading in against heaters that were shown to be off. It returns what
// counts against it, and then begins a new proof; "" while nothing does.
func (g *Guard) Withdraw(i HeaterIndex, r Reading) string {
	h := g.of(i)
	if !g.shown || h.proof == nil {
		return ""
	}
	why := h.proof.withdrawn(r)
	if h.burns != "" {
		why = h.burns + "; it had been shown to be off"
	}
	if why != "" {
		h.on = true
		g.Off(r.At)
	}
	return why
}

// words says for each heater what was seen.
func (g *Guard) words(at time.Duration) string {
	var list []string
	needed := g.needed()
	for _, h := range needed {
		list = append(list, h.proof.Text(at-g.began))
	}
	for _, h := range g.heaters {
		if h.has && h.proof.seen && !slices.Contains(needed, h) {
			list = append(list, fmt.Sprintf("%s had no target and reads %.0f °C", h.name, h.proof.lastC))
		}
	}
	if len(list) == 0 {
		return "the board reports no temperature"
	}
	return strings.Join(list, ", ")
}

// swing is by how much the reading of a heater that is held goes up and down.
type swing struct {
	seen      bool
	began     time.Duration
	low, high float64 // in the present window
	wide      float64 // of the window before
	hasWide   bool
}

// swingOver is how long a window is: a bed's controller that only switches on and off
// takes a minute or two for one swing (common practice, no source).
const swingOver = 2 * time.Minute

func (s *swing) add(at time.Duration, c float64) {
	if !s.seen || at-s.began > swingOver {
		if s.seen {
			s.wide, s.hasWide = s.high-s.low, true
		}
		s.seen, s.began, s.low, s.high = true, at, c, c
		return
	}
	s.low, s.high = min(s.low, c), max(s.high, c)
}

// width is the wider of the two newest windows; false where none is whole.
func (s *swing) width() (float64, bool) {
	if !s.hasWide {
		return max(proofFallC, s.high-s.low), s.seen
	}
	return max(s.wide, s.high-s.low), true
}
