package heat

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Guard holds what is known of each heater: what it was commanded, what the board reports, what was
// read and when, whether its sensor can be trusted, and whether it was shown to be off. It alone
// decides whether a heater may be on. It is pure: times are passed in, on one monotonic clock.
type Guard struct {
	heaters      []*heater
	proving      bool // a proof that the heaters are off is in progress or complete
	proofBegan   time.Duration
	decided      bool   // the proof has an outcome
	text         string // its outcome or progress, for a person
	shownOff     bool
	failedHot    bool // it failed with a heater that reads hot or keeps a target
	unreportedOn bool // see AssumeUnreportedOn
	maybeLeftOn  bool // see AssumeOn
	offAccepted  bool // the board has accepted the commands that switch off, and no heater was switched on since
}

// heater is what is known of one heater.
type heater struct {
	name           string
	coolS          float64
	watch          *Watch
	commandedC     float64
	newest         Reading
	reportsReading bool   // the board reports its reading
	present        bool   // it exists: it is not shown to be off by no longer being reported
	reportsTarget  bool   // the board reports its target
	on             bool   // it had a target, commanded or reported, since it was last shown to be off
	doubt          string // why its sensor is not trusted
	stuckOn        string // the finding that it is on unasked; kept until somebody has repaired it
	lowC           float64
	lowSeen        bool
	followed       bool // its sensor has followed the heater since it was switched on
	swing          swing
	lostHeat       string // how its newest reading has fallen below a target that it had reached; "": it has not
	proof          *Proof
	target         target
}

// Shortest time constants of cooling, seconds, with a fan at full speed: a nozzle's block and a bed
// hold more heat than this. Common practice, no source.
const (
	nozzleCoolS = 30
	bedCoolS    = 90
)

// movedC is how much a reading must rise to show that the sensor follows its heater.
const movedC = 4

// NewGuard returns a guard of a nozzle and a bed of which nothing is known.
func NewGuard(nozzle, bed Limits) *Guard {
	return &Guard{offAccepted: true, heaters: []*heater{
		{name: nozzle.Name, present: true, coolS: nozzleCoolS, watch: NewWatch(nozzle)},
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

// Forget starts over with an unknown board. A distrusted sensor stays distrusted: a wire does not
// repair itself by a new connection.
func (g *Guard) Forget() {
	for _, h := range g.heaters {
		h.watch.Forget()
		h.reportsReading, h.newest, h.swing = false, Reading{}, swing{}
		h.followed, h.lowSeen, h.target = false, false, target{}
	}
}

// Command notes a heater's commanded target, degrees Celsius. It reports whether this is a new
// command to heat.
func (g *Guard) Command(i HeaterIndex, c float64) bool {
	h := g.of(i)
	if c == h.commandedC {
		return false
	}
	h.watch.NewTarget()
	if c > 0 {
		h.on = true
		if h.commandedC == 0 {
			h.followed, h.lowSeen = false, false
		}
	}
	h.commandedC = c
	return c > 0
}

// MarkMaybeOn notes that heaters may be on from now: they are switched on, or an earlier process
// has left them on.
func (g *Guard) MarkMaybeOn() { g.offAccepted = false }

// MarkOffAccepted notes that the board has accepted the commands that switch the heaters off.
func (g *Guard) MarkOffAccepted() { g.offAccepted = true }

// MayBeOn reports whether the board is not known to have accepted the commands that switch the
// heaters off since they were last on. Acceptance alone does not show that they are off.
func (g *Guard) MayBeOn() bool { return !g.offAccepted }

// AssumeOn notes that an earlier process may have switched any heater on.
func (g *Guard) AssumeOn() {
	g.maybeLeftOn = true
	for _, h := range g.heaters {
		h.on = true
	}
}

// MarkPresent notes that a heater exists even while the board does not report it, so that it is not
// off for being silent.
func (g *Guard) MarkPresent(i HeaterIndex) { g.of(i).present = true }

// MaybeLeftOn reports whether an earlier process may have left heaters on that were not shown to be
// off since.
func (g *Guard) MaybeLeftOn() bool { return g.maybeLeftOn }

// AssumeUnreportedOn treats each heater whose target the board does not report as one that may have
// been on, so that a cold reading alone proves nothing.
func (g *Guard) AssumeUnreportedOn() { g.unreportedOn = true }

// markStuckOn notes more heat than was commanded. Such a heater may be on for good, and its sensor
// may come out of it later: its readings prove nothing until [Guard.Trust].
func (g *Guard) markStuckOn(h *heater, why string) {
	if h.stuckOn == "" {
		h.stuckOn = why
	}
	if h.proof != nil && !g.decided {
		h.proof.stuckOn = true
	}
}

// maybeOn reports whether a heater may have been on since it was last shown to be off.
func (g *Guard) maybeOn(h *heater) bool {
	return h.on || g.unreportedOn && h.reportsReading && !h.reportsTarget
}

// Distrust notes why a sensor is not trusted until [Guard.Trust].
func (g *Guard) Distrust(i HeaterIndex, why string) {
	h := g.of(i)
	if h.doubt == "" {
		h.doubt = why
	}
	if h.proof != nil && !g.decided && h.proof.doubt == "" {
		h.proof.doubt = why
	}
}

// Trust trusts all sensors again after somebody has stated what was repaired. A fault that persists
// is found again. A bed that the board does not report counts as removed.
func (g *Guard) Trust() {
	g.maybeLeftOn = false
	for i, h := range g.heaters {
		h.doubt, h.stuckOn, h.on = "", "", false // mains power was off for the repair
		h.present = h.present && !g.Unreported(HeaterIndex(i))
		h.watch.Forget()
	}
}

// Unreported reports whether the board reports the nozzle and not this heater.
func (g *Guard) Unreported(i HeaterIndex) bool {
	return g.of(Nozzle).reportsReading && !g.of(i).reportsReading
}

// Doubt returns the first thing that counts against a heater or its sensor until [Guard.Trust]; ""
// if nothing does.
func (g *Guard) Doubt() string {
	for _, h := range g.heaters {
		switch {
		case h.stuckOn != "":
			return h.stuckOn
		case h.doubt != "":
			return h.doubt
		case h.present && h.on && !h.reportsReading:
			return "the board reports no temperature of the " + h.name
		}
	}
	return ""
}

// Warm reports whether there is anything to prove: a heater that may have been on, or that is hot.
func (g *Guard) Warm() bool {
	return slices.ContainsFunc(g.heaters, func(h *heater) bool {
		return h.present && h.on || h.commandedC > 0 || h.reportsReading && (h.newest.C > proofCoolC || !h.newest.Assumed && h.newest.TargetC > 0)
	})
}

// distrustsSensor reports whether a finding counts against the sensor. It may be the heater's fault
// instead; that cannot be told from here.
func (k Kind) distrustsSensor() bool {
	switch k {
	case Absurd, Still, Slow, Fallen, Drifted:
		return true
	case Ceiling, Over:
	}
	return false
}

// LacksHeat reports whether a finding says that a heater gives no heat, or too little.
func (k Kind) LacksHeat() bool { return k == Slow || k == Fallen }

// Observe applies a reading of one heater and returns the findings. nearbyC is the temperature of a
// body close by that may warm this one.
func (g *Guard) Observe(i HeaterIndex, r Reading, nearbyC float64, m *Model) []Finding {
	h := g.of(i)
	h.reportsReading, h.present, h.newest = true, true, r
	h.reportsTarget = h.reportsTarget || !r.Assumed
	if !r.Assumed && r.TargetC > 0 {
		h.on = true
	}
	found := h.watch.Observe(r, nearbyC, m)
	for _, f := range found {
		if f.Kind.distrustsSensor() {
			g.Distrust(i, f.Text)
		}
		if f.Fault && (f.Kind == Over || f.Kind == Ceiling) {
			g.markStuckOn(h, f.Text)
		}
	}
	if w := h.watch; w.seen && plausible(w.last.C) && (w.phase == rising || w.phase == holding) { // a rise while it is off does not show that the sensor works
		c := w.last.C
		if !h.lowSeen || c < h.lowC {
			h.lowC, h.lowSeen = c, true
		}
		h.followed = h.followed || c >= h.lowC+movedC
	}
	if w := h.watch; w.phase == holding && (h.swing.seen || w.last.C >= w.last.TargetC-1) { // approaching the target is not a swing
		h.swing.add(r.At, h.watch.last.C)
	} else if w.phase != holding {
		h.swing = swing{}
	}
	h.lostHeat = ""
	if w := h.watch; w.phase == holding && !w.targetChanged && w.last.C < w.last.TargetC-w.lim.NearC {
		h.lostHeat = fmt.Sprintf("it fell to %.0f °C of %.0f before the heater was switched off", w.last.C, w.last.TargetC)
	}
	if h.proof != nil && !g.decided {
		h.proof.unfollowed = g.maybeOn(h) && !h.followed
		h.proof.Observe(r)
	}
	return found
}

// RiseWhileOff is how much the reading of a heater has risen since it was switched off.
func (g *Guard) RiseWhileOff(i HeaterIndex) float64 { return g.of(i).watch.riseWhileOff() }

// HeatLoss is how far a heater that had reached its target is below it, if that is enough to count
// as a loss of heat; otherwise 0.
func (g *Guard) HeatLoss(i HeaterIndex) float64 {
	w := g.of(i).watch
	if by := w.last.TargetC - w.last.C; w.phase == holding && !w.targetChanged && by > w.lim.FallC {
		return by
	}
	return 0
}

// StaysCold reports whether a heater has been driven long enough to get warmer, and has not.
func (g *Guard) StaysCold(i HeaterIndex) bool {
	w := g.of(i).watch
	return w.phase == rising && w.last.At-w.from >= staysColdFor && w.last.C < w.fromC+w.lim.RiseC
}

// Swapped adds a note to the findings of a heater that stays cold while the other warms up in its
// stead, and of the other.
func (g *Guard) Swapped(found []Finding, other HeaterIndex) []Finding {
	for i, f := range found {
		switch gained := g.RiseWhileOff(other); {
		case f.Kind == Slow && f.Fault && gained >= 8:
			found[i].Text += fmt.Sprintf("; meanwhile the %s, which is not being heated, has gained %.0f degrees: are the two heaters or sensors swapped?", other, gained)
		case f.Kind == Over && f.Fault && g.StaysCold(other):
			found[i].Text += fmt.Sprintf("; meanwhile the %s, which is being heated, has not gained: are the two heaters or sensors swapped?", other)
		}
	}
	return found
}

// staysColdFor is by when a driven heater warms its sensor; common practice, no source.
const staysColdFor = 30 * time.Second

// Plausible reports whether the newest reading of a heater can come from a working sensor, and is
// no further from the previous one than a body can change: the board's replies have no checksum.
func (g *Guard) Plausible(i HeaterIndex) bool {
	w := g.of(i).watch
	return w.absurdInARow == 0 && w.calm.plausible()
}

// BeginProof begins a proof that the heaters are off, now that they are switched off.
func (g *Guard) BeginProof(at time.Duration) {
	g.proving, g.proofBegan, g.decided, g.shownOff, g.failedHot = true, at, false, false, false
	g.text = "not yet shown to be off by falling readings"
	for _, h := range g.heaters {
		p := NewProof(h.name)
		p.coolS, p.doubt, p.stuckOn, p.unfollowed = h.coolS, h.doubt, h.stuckOn != "", g.maybeOn(h) && !h.followed
		if c, ok := h.swing.width(); ok {
			p.fellC = proofFallC + c
		}
		if p.doubt == "" {
			p.doubt = h.lostHeat
		}
		h.proof = p
	}
}

// CancelProof ends the proof without an outcome: heaters are switched on from here.
func (g *Guard) CancelProof() {
	g.proving, g.decided, g.shownOff, g.failedHot, g.text = false, false, false, false, ""
}

// Proving reports whether a proof is in progress.
func (g *Guard) Proving() bool { return g.proving && !g.decided }

// ProvingFor is how long ago the newest proof began.
func (g *Guard) ProvingFor(at time.Duration) time.Duration { return at - g.proofBegan }

// ShownOff reports whether the heaters were shown to be off and nothing contradicts it since.
func (g *Guard) ShownOff() bool { return g.shownOff }

// Failed reports whether the proof has ended without showing the heaters to be off, or cannot come about.
func (g *Guard) Failed() bool { return g.proving && g.decided && !g.shownOff || g.Hopeless() }

// Text describes the outcome or progress of the proof; "" if there was none. A proof that can no
// longer succeed is reported as failed at once.
func (g *Guard) Text() string {
	if !g.Hopeless() {
		return g.text
	}
	var list []string
	for _, h := range g.unproven() {
		if h.proof.hopeless() {
			list = append(list, h.proof.Text(0))
		}
	}
	return "NOT shown to be off: " + strings.Join(list, ", ") + switchOff
}

// needProof lists the heaters to be shown to be off: those that may have been on, that are hot,
// that exist and are no longer reported, or that something was found against.
func (g *Guard) needProof() (list []*heater) {
	for _, h := range g.heaters {
		p := h.proof
		if h.present && (g.maybeOn(h) || !p.seen || p.mostC > proofCoolC || p.targetC > 0 || p.hopeless()) || h.commandedC > 0 {
			list = append(list, h)
		}
	}
	return list
}

// DecideProof reports whether the proof in progress succeeds now.
func (g *Guard) DecideProof(at time.Duration) bool {
	if !g.Proving() {
		return false
	}
	known := false
	for _, h := range g.heaters {
		known = known || h.reportsReading && h.proof.seen
	}
	for _, h := range g.needProof() {
		if !h.proof.Shown() {
			return false
		}
	}
	if !known {
		return false
	}
	g.decided, g.shownOff, g.maybeLeftOn = true, true, false
	g.text = "shown to be off: " + g.describe(at)
	for _, h := range g.heaters {
		h.on = false
	}
	return true
}

// unproven lists the heaters of the proof in progress that are not shown to be off yet.
func (g *Guard) unproven() []*heater {
	return slices.DeleteFunc(g.needProof(), func(h *heater) bool { return h.proof.Shown() })
}

// Falling reports whether the proof makes progress: each heater not yet shown to be off has lost a
// degree and keeps falling.
func (g *Guard) Falling(at time.Duration) bool {
	return g.Proving() && !slices.ContainsFunc(g.unproven(), func(h *heater) bool { return at-h.proof.last > gap || !h.proof.falling() })
}

// Calm reports whether nothing indicates heat any more, although the proof may be incomplete: each
// heater has no target and is cold, or has lost more than its readings swung.
func (g *Guard) Calm() bool {
	return !g.Proving() || !slices.ContainsFunc(g.unproven(), func(h *heater) bool { return !h.proof.calmed() })
}

// Hopeless reports whether the proof can no longer succeed: a sensor that it needs is distrusted
// for more than falling too fast, or a heater was found to be stuck on.
func (g *Guard) Hopeless() bool {
	return g.Proving() && slices.ContainsFunc(g.unproven(), func(h *heater) bool { return h.proof.hopeless() })
}

// ProofFailedHot reports whether the proof has failed because a heater reads hot and does not fall,
// or keeps a target.
func (g *Guard) ProofFailedHot() bool { return g.failedHot }

const switchOff = "; switch the machine off at the mains"

// FailProof ends a proof that did not succeed in time.
func (g *Guard) FailProof(at time.Duration) {
	g.decided = true
	g.failedHot = slices.ContainsFunc(g.unproven(), func(h *heater) bool { return h.proof.hot() })
	g.text = "NOT shown to be off: " + g.describe(at) + switchOff
}

// WithdrawProof checks a reading against heaters that were shown to be off. If it contradicts that,
// it returns how and begins a new proof; otherwise "".
func (g *Guard) WithdrawProof(i HeaterIndex, r Reading) string {
	h := g.of(i)
	if !g.shownOff || h.proof == nil {
		return ""
	}
	why := h.proof.contradiction(r)
	if h.stuckOn != "" {
		why = h.stuckOn + "; it had been shown to be off"
	}
	if why != "" {
		h.on = true
		g.BeginProof(r.At)
	}
	return why
}

// describe says for each heater what was seen.
func (g *Guard) describe(at time.Duration) string {
	var list []string
	needed := g.needProof()
	for _, h := range needed {
		list = append(list, h.proof.Text(at-g.proofBegan))
	}
	for _, h := range g.heaters {
		if h.reportsReading && h.proof.seen && !slices.Contains(needed, h) {
			list = append(list, fmt.Sprintf("%s had no target and reads %.0f °C", h.name, h.proof.lastC))
		}
	}
	if len(list) == 0 {
		return "the board reports no temperature"
	}
	return strings.Join(list, ", ")
}

// swing is how far the reading of a heater at its target goes up and down.
type swing struct {
	seen          bool
	began         time.Duration
	low, high     float64 // in the present window
	previousWidth float64 // of the window before
	hasPrevious   bool
}

// swingWindow is the length of a window: a bed's controller that only switches on and off takes a
// minute or two for one swing (common practice, no source).
const swingWindow = 2 * time.Minute

func (s *swing) add(at time.Duration, c float64) {
	if !s.seen || at-s.began > swingWindow {
		if s.seen {
			s.previousWidth, s.hasPrevious = s.high-s.low, true
		}
		s.seen, s.began, s.low, s.high = true, at, c, c
		return
	}
	s.low, s.high = min(s.low, c), max(s.high, c)
}

// width is the wider of the two newest windows; false if none is complete.
func (s *swing) width() (float64, bool) {
	if !s.hasPrevious {
		return max(proofFallC, s.high-s.low), s.seen
	}
	return max(s.previousWidth, s.high-s.low), true
}
