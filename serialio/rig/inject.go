package rig

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

const (
	toBoard = ToBoard
	toHost  = ToHost
)

// planned is a fault that has yet to happen, or keeps happening.
type planned struct {
	Fault
	armed int     // times it is due at the next opportunity
	skip  float64 // opportunities to pass by until the next random one
}

// faults decides when things go wrong.
type faults struct {
	rng      *rand.Rand
	list     []*planned
	nextTime time.Duration // of the earliest fault with a time
	nextLine uint64
	perByte  bool    // some fault damages bytes
	last     [3]byte // newest byte each way, as it was sent
	counts   [len(faultNames)]uint64
}

func (f *faults) init(seed uint64, list []Fault) {
	f.rng = rand.New(rand.NewPCG(seed, 3))
	f.nextTime, f.nextLine = never, math.MaxUint64
	for _, x := range list {
		f.add(x)
	}
}

// add plans a fault. One without a trigger is due at once.
func (f *faults) add(x Fault) {
	p := &planned{Fault: x}
	switch {
	case x.Rate > 0:
		p.draw(f.rng)
	case x.Line > 0:
		f.nextLine = min(f.nextLine, x.Line)
	default:
		f.nextTime = min(f.nextTime, x.At)
	}
	f.perByte = f.perByte || x.Kind <= Delay
	f.list = append(f.list, p)
}

// draw chooses after how many opportunities a random fault happens next.
func (p *planned) draw(rng *rand.Rand) {
	if p.Rate >= 1 {
		p.skip = 0
		return
	}
	p.skip = math.Floor(math.Log(1-rng.Float64()) / math.Log1p(-p.Rate))
}

// due passes one opportunity and reports whether the fault happens on it.
func (p *planned) due(rng *rand.Rand) bool {
	if p.armed > 0 {
		p.armed--
		return true
	}
	if p.Rate == 0 {
		return false
	}
	if p.skip > 0 {
		p.skip--
		return false
	}
	p.draw(rng)
	return true
}

// hit passes one opportunity for a kind that acts on a single message.
func (f *faults) hit(kind FaultKind) bool {
	any := false
	for _, p := range f.list {
		if p.Kind == kind && p.due(f.rng) {
			f.counts[kind]++
			any = true
		}
	}
	return any
}

// timed carries out the faults whose time has come.
func (f *faults) timed(c *controller) {
	if c.now < f.nextTime {
		return
	}
	f.fire(c, func(p *planned) bool { return p.Rate == 0 && p.Line == 0 && p.At <= c.now })
}

// accepted passes one accepted line.
func (f *faults) accepted(c *controller) {
	if len(f.list) == 0 {
		return
	}
	if c.figures.LinesAccepted >= f.nextLine {
		f.fire(c, func(p *planned) bool { return p.Line > 0 && p.Line <= c.figures.LinesAccepted })
	}
	for _, p := range slices.Clone(f.list) {
		if p.Rate > 0 && p.Kind >= Garbage && p.due(f.rng) {
			f.act(c, p.Fault)
		}
	}
}

// fire takes out the one-time faults that are due, and carries them out or arms them.
func (f *faults) fire(c *controller, is func(*planned) bool) {
	var due []*planned
	rest := f.list[:0]
	for _, p := range f.list {
		switch {
		case p.armed == 0 && is(p):
			due = append(due, p)
			if p.Kind < Garbage {
				p.armed, p.Line, p.At = 1, 0, never // waits for its opportunity
				rest = append(rest, p)
			}
		default:
			rest = append(rest, p)
		}
	}
	f.list = rest
	f.nextTime, f.nextLine = never, math.MaxUint64
	for _, p := range f.list {
		switch {
		case p.Rate > 0 || p.armed > 0:
		case p.Line > 0:
			f.nextLine = min(f.nextLine, p.Line)
		default:
			f.nextTime = min(f.nextTime, p.At)
		}
	}
	for _, p := range due {
		if p.Kind >= Garbage {
			f.act(c, p.Fault)
		}
	}
}

// act makes a fault of the board, its heaters or its cable happen now.
func (f *faults) act(c *controller, x Fault) {
	f.counts[x.Kind]++
	switch x.Kind {
	case Garbage:
		c.out = append(c.out, f.nonsense()...)
	case Silence, Busy:
		c.stallUntil, c.stallBusy = max(c.stallUntil, c.now+x.For), x.Kind == Busy
		if c.stallBusy {
			c.busyDue = later(c.now, c.busyEvery)
		}
	case Reset:
		c.reset()
	case Unplug:
		c.unplug(x)
	case HeaterFault:
		c.halt("heater fault")
	case SwappedSensors, NoMains, NoReports, FrozenAnswers:
		c.boardFault(x)
	default:
		c.heatFault(x)
	}
}

// nonsense returns a line of random bytes, now and then with zeros and line ends.
func (f *faults) nonsense() []byte {
	b := make([]byte, 1+f.rng.IntN(60))
	for i := range b {
		b[i] = byte(f.rng.UintN(256))
	}
	return append(b, '\n')
}

// onWire damages bytes on their way. It returns them, the places of damage, and by
// how much they are delayed. The argument is not changed.
func (f *faults) onWire(data []byte, way Direction) (out []byte, taint []int, delay time.Duration) {
	if !f.perByte {
		return data, nil, 0
	}
	out = make([]byte, 0, len(data)+4)
	for _, b := range data {
		blank := b == '\n' && f.last[way] == '\n' // an empty line: no harm if it is lost
		f.last[way] = b
		keep, twice, hurt, split := true, false, false, false
		for _, p := range f.list {
			if p.Kind > Delay || p.Way != BothWays && p.Way != way || !p.due(f.rng) {
				continue
			}
			f.counts[p.Kind]++
			switch p.Kind {
			case Flip:
				b ^= 1 << f.rng.UintN(8)
				hurt = true
				split = b == '\n' || b == '\r' // what follows is taken for a line of its own
			case Drop:
				keep, hurt = false, hurt || !blank
			case Double:
				twice, hurt = true, b != '\n' || hurt // an empty line does no harm
			case Delay:
				delay += p.For
			}
		}
		if hurt {
			taint = append(taint, len(out))
			if split {
				taint = append(taint, len(out)+1)
				if twice { // the second line end stands before it
					taint = append(taint, len(out)+2)
				}
			}
		}
		if keep {
			out = append(out, b)
			if twice {
				out = append(out, b)
			}
		}
	}
	f.sweep()
	return out, taint, delay
}

// sweep forgets the byte faults that have had their one time.
func (f *faults) sweep() {
	f.list = slices.DeleteFunc(f.list, func(p *planned) bool {
		return p.Kind <= Delay && p.Rate == 0 && p.armed == 0 && p.At == never
	})
	f.perByte = slices.ContainsFunc(f.list, func(p *planned) bool { return p.Kind <= Delay })
}

// byKind returns how often each kind has happened.
func (f *faults) byKind() map[string]uint64 {
	m := make(map[string]uint64)
	for i, n := range f.counts {
		if n > 0 {
			m[faultNames[i]] = n
		}
	}
	return m
}
