package heat

import (
	"fmt"
	"time"
)

// Proof follows the readings of a body whose heater was switched off, until they show
// that it is. A word that was taken by the board does not show it: a transistor may have
// failed closed.
type Proof struct {
	name  string
	seen  bool
	calm  middle
	mostC float64 // highest since it was switched off
	lastC float64
	fellC float64 // what it must lose to be believed
}

// What shows that a heater is off: a loss of so many degrees from the highest reading,
// or a body that nobody could call heated.
const (
	proofFallC = 3
	proofCoolC = 45
)

// NewProof begins one; name is the heater's, in words.
func NewProof(name string) *Proof { return &Proof{name: name, fellC: proofFallC} }

// Observe takes in a reading. One of no sound sensor shows nothing.
func (p *Proof) Observe(at time.Duration, c float64) {
	if !sane(c) {
		return
	}
	c, sure := p.calm.add(at, c)
	if !sure {
		return
	}
	if !p.seen || c > p.mostC {
		p.mostC = c
	}
	p.seen, p.lastC = true, c
}

// Shown reports whether the heater is off beyond doubt.
func (p *Proof) Shown() bool {
	return p.seen && (p.lastC <= p.mostC-p.fellC || p.mostC <= proofCoolC)
}

// Text says what was seen within d.
func (p *Proof) Text(d time.Duration) string {
	switch {
	case !p.seen:
		return fmt.Sprintf("%s: no reading to believe for %s", p.name, inWords(d))
	case p.mostC <= proofCoolC:
		return fmt.Sprintf("%s cold at %.0f °C", p.name, p.lastC)
	case p.Shown():
		return fmt.Sprintf("%s fell from %.0f to %.0f °C in %s", p.name, p.mostC, p.lastC, inWords(d))
	}
	return fmt.Sprintf("%s still at %.0f °C after %s", p.name, p.lastC, inWords(d))
}
