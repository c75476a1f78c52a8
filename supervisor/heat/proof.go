package heat

import (
	"fmt"
	"math"
	"time"
)

// Proof follows the readings of a heater that was switched off until they show that it is off. An
// accepted command does not show it: a transistor may have failed closed, and a sensor may have
// come out of its block. The zero value is not ready; use [NewProof] or [Guard.BeginProof].
type Proof struct {
	name    string
	coolS   float64 // shortest time constant of its cooling, seconds; 0: not judged
	doubt   string  // why its sensor is distrusted; "": it is not
	stuckOn bool    // its heater is stuck on: a falling reading may be the sensor coming out
	// unfollowed: its heater was on, and its sensor was not seen to follow it.
	unfollowed bool
	tooFast    bool    // it is distrusted only for falling faster than its body can
	fellC      float64 // how much it must fall

	seen    bool
	calm    median3
	mostC   float64 // highest since it was switched off
	most    time.Duration
	leastC  float64
	lastC   float64
	last    time.Duration
	low     time.Duration // since when it has been down by fellC without rising; never: it has not
	lowC    float64
	cold    time.Duration // since when it has been cold and not rising; never: it has not
	coldC   float64
	targetC float64 // as the board reports it; 0: off, or not reported
	against int     // readings in a row against a heater that was shown to be off
}

// What shows that a heater is off; common practice, no source. Its reading must fall by proofFallC
// more than it swung before, and stay down; without an earlier swing, proofFallC stands for it. A
// reading below proofCoolC must not rise. Heat keeps flowing in for a moment, so only a rise by
// backC counts as one.
const (
	proofFallC      = 3
	proofCoolC      = 45
	proofLasts      = 20 * time.Second
	backC           = 8
	againstReadings = 3
	// roomC and quickC bound how fast a body can cool in a room. The sensor of one that falls
	// faster has come out of its place.
	roomC  = 20
	quickC = 8
)

// NewProof returns a proof for an unknown heater, with its name for texts.
func NewProof(name string) *Proof {
	return &Proof{name: name, fellC: 2 * proofFallC, low: never, cold: never}
}

// Observe applies a reading. One that no working sensor gives proves nothing.
func (p *Proof) Observe(r Reading) {
	if !r.Assumed {
		p.targetC = r.TargetC
	}
	if !plausible(r.C) {
		return
	}
	c, sure := p.calm.add(r.At, r.C)
	if !sure {
		return
	}
	if !p.seen || c > p.mostC {
		p.mostC, p.most = c, r.At
	}
	if !p.seen {
		p.leastC = c
	}
	p.leastC = min(p.leastC, c)
	p.seen, p.lastC, p.last = true, c, r.At
	if p.coolS > 0 && p.doubt == "" && p.mostC > proofCoolC {
		least := roomC + (p.mostC-roomC)*math.Exp(-(r.At-p.most).Seconds()/p.coolS)
		if c < least-quickC {
			p.tooFast = true
			p.doubt = fmt.Sprintf("its reading fell from %.0f to %.0f °C in %s, faster than the body cools", p.mostC, c, durationText(r.At-p.most))
		}
	}
	p.low, p.lowC = lasting(p.low, p.lowC, c, c <= p.mostC-p.fellC, r.At)
	p.cold, p.coldC = lasting(p.cold, p.coldC, c, c <= proofCoolC, r.At)
}

// lasting tracks since when a condition has held with readings that do not rise.
func lasting(since time.Duration, atC, c float64, holds bool, now time.Duration) (time.Duration, float64) {
	switch {
	case !holds:
		return never, 0
	case since == never || c > atC+1:
		return now, c
	}
	return since, min(atC, c)
}

// lasted reports whether a condition has held for long enough.
func (p *Proof) lasted(since time.Duration) bool { return since != never && p.last-since >= proofLasts }

// hasFallen and isCold are the two ways to show it.
func (p *Proof) hasFallen() bool { return p.lasted(p.low) }
func (p *Proof) isCold() bool    { return p.lasted(p.cold) && !p.unfollowed }

// Shown reports whether the heater is off beyond doubt.
func (p *Proof) Shown() bool {
	return p.seen && p.doubt == "" && !p.stuckOn && p.targetC == 0 && (p.hasFallen() || p.isCold())
}

// hopeless reports whether no further reading can show it.
func (p *Proof) hopeless() bool { return p.stuckOn || p.doubt != "" && !p.tooFast }

// settleC is what a reading must have lost beyond its swing for a heater to be left alone, and calmFor how
// long one must be cold without rising.
const (
	// settleC is how far a reading must fall beyond its swing before the heater can be left alone,
	// and calmFor how long one must be cold without rising.
	settleC = 2
	calmFor = 10 * time.Second
)

// falling, calmed and hot judge an incomplete proof: see [Guard.Falling], [Guard.Calm] and
// [Guard.ProofFailedHot].
func (p *Proof) falling() bool {
	return p.seen && p.doubt == "" && !p.stuckOn && p.targetC == 0 && p.lastC > proofCoolC && p.lastC <= p.mostC-1 && p.lastC <= p.leastC+1
}

func (p *Proof) calmed() bool {
	return p.seen && p.targetC == 0 && !p.hopeless() && (p.cold != never && p.last-p.cold >= calmFor || p.lastC <= p.mostC-p.fellC+proofFallC-settleC)
}

func (p *Proof) hot() bool { return p.targetC > 0 || p.seen && p.lastC > proofCoolC && !p.tooFast }

// contradiction returns how a reading contradicts that the heater is off; "" if it does not.
func (p *Proof) contradiction(r Reading) string {
	before := p.leastC
	p.Observe(r)
	switch {
	case p.targetC > 0, p.seen && p.lastC >= before+backC:
		p.against++
	default:
		p.against = 0
	}
	switch {
	case p.against < againstReadings:
		return ""
	case p.targetC > 0:
		return fmt.Sprintf("%s was shown to be off, but the board reports a target of %.0f °C for it", p.name, p.targetC)
	}
	return fmt.Sprintf("%s was shown to be off, but has risen from %.0f to %.0f °C", p.name, before, p.lastC)
}

// Text describes what was seen within d.
func (p *Proof) Text(d time.Duration) string {
	switch {
	case p.stuckOn && p.seen:
		return fmt.Sprintf("%s was found heating unasked: it reads %.0f °C, and a falling reading may be its sensor coming out", p.name, p.lastC)
	case p.doubt != "":
		text := fmt.Sprintf("%s: its sensor is in doubt: %s", p.name, p.doubt)
		if p.seen {
			text += fmt.Sprintf(" (it reads %.0f °C)", p.lastC)
		}
		return text
	case !p.seen:
		return fmt.Sprintf("%s: no reliable reading for %s", p.name, durationText(d))
	case p.targetC > 0:
		return fmt.Sprintf("%s at %.0f °C, and the board still reports a target of %.0f °C for it", p.name, p.lastC, p.targetC)
	case p.hasFallen():
		return fmt.Sprintf("%s fell from %.0f to %.0f °C in %s", p.name, p.mostC, p.lastC, durationText(d))
	case p.isCold():
		return fmt.Sprintf("%s cold at %.0f °C", p.name, p.lastC)
	case p.unfollowed && p.lastC <= proofCoolC:
		return fmt.Sprintf("%s reads %.0f °C as if cold, but its sensor has not been seen to follow its heater: its sensor is in doubt", p.name, p.lastC)
	}
	return fmt.Sprintf("%s still at %.0f °C after %s", p.name, p.lastC, durationText(d))
}
