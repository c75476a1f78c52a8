package rig

import (
	"math"
	"time"
)

// profile is a speed trapezoid: up at accel, level, down at decel. Seconds, mm.
type profile struct {
	entry, peak, exit    float64 // mm/s
	up, level, down      float64 // s
	accel, decel, length float64
}

// newProfile returns the quickest profile over length mm between two speeds with a
// cruise limit. An exit that cannot be reached by braking is raised to what can.
// v_peak^2 = (2D + v0^2/a + v1^2/b) / (1/a + 1/b): constant-acceleration kinematics.
func newProfile(length, accel, decel, entry, exit, cruise float64) profile {
	entry, exit = min(entry, cruise), min(exit, cruise)
	exit = min(exit, math.Sqrt(entry*entry+2*accel*length))
	if low := entry*entry - 2*decel*length; low > exit*exit {
		exit = math.Sqrt(low)
	}
	peak := math.Sqrt((2*length + entry*entry/accel + exit*exit/decel) / (1/accel + 1/decel))
	peak = max(min(peak, cruise), entry, exit)
	p := profile{entry: entry, peak: peak, exit: exit, accel: accel, decel: decel, length: length}
	p.up = (peak - entry) / accel
	p.down = (peak - exit) / decel
	level := length - (peak*peak-entry*entry)/(2*accel) - (peak*peak-exit*exit)/(2*decel)
	p.level = max(0, level) / peak
	return p
}

// seconds returns the duration of the whole profile.
func (p *profile) seconds() float64 { return p.up + p.level + p.down }

// fraction returns how much of the length is done t seconds after the start.
func (p *profile) fraction(t float64) float64 {
	var s float64
	switch {
	case t <= 0:
		return 0
	case t >= p.seconds():
		return 1
	case t < p.up:
		s = p.entry*t + p.accel*t*t/2
	case t < p.up+p.level:
		s = (p.entry+p.peak)/2*p.up + p.peak*(t-p.up)
	default:
		left := p.seconds() - t
		s = p.length - p.exit*left - p.decel*left*left/2
	}
	return min(1, max(0, s/p.length))
}

// block is one planned move.
type block struct {
	delta     [4]float64 // mm as commanded, extruder with the flow factor
	from      [4]float64 // logical start position
	arc       *arc       // nil for a straight move
	length    float64    // mm along the path; of the extruder if it moves alone
	nominal   float64    // mm/s
	accel     float64    // mm/s^2
	entryMax  float64
	entry     float64
	dirIn     [3]float64 // unit tangent at the start, zero if only the extruder moves
	dirOut    [3]float64
	beltScale float64 // belt millimetres per commanded one
	run       profile
	start     time.Duration
	end       time.Duration
	done      float64 // fraction already booked on belt and filament
	endless   bool
}

// planner is the ring of moves taken but not ended. The first one is running.
type planner struct {
	ring  []block
	first int
	count int
}

func (p *planner) at(i int) *block { return &p.ring[(p.first+i)%len(p.ring)] }
func (p *planner) full() bool      { return p.count == len(p.ring) }

// add appends a move and plans the speeds again. If nothing is running the move
// starts at now.
func (p *planner) add(b block, now time.Duration, deviation float64) {
	if p.count > 0 {
		b.entryMax = junction(p.at(p.count-1), &b, deviation)
	}
	p.count++
	*p.at(p.count - 1) = b
	if p.count == 1 {
		p.begin(now)
		return
	}
	// Backward pass: no move may be entered faster than the rest allows to stop from.
	// The running move is left alone: it already brakes to its exit.
	exit := 0.0
	for i := p.count - 1; i >= 1; i-- {
		m := p.at(i)
		entry := min(m.entryMax, math.Sqrt(exit*exit+2*m.accel*m.length))
		if i == 1 {
			entry = p.at(0).run.exit
		} else if i < p.count-1 && entry == m.entry {
			break // nothing further back can change
		}
		m.entry, exit = entry, entry
	}
}

// begin starts the first move at t.
func (p *planner) begin(t time.Duration) {
	m := p.at(0)
	m.start = t
	if m.endless {
		m.end = never
		m.run = newProfile(m.length, m.accel, m.accel, 0, 0, m.nominal)
		return
	}
	exit := 0.0
	if p.count > 1 {
		exit = p.at(1).entry
	}
	m.run = newProfile(m.length, m.accel, m.accel, m.entry, exit, m.nominal)
	if p.count > 1 {
		p.at(1).entry = m.run.exit
	}
	m.end = after(t, m.run.seconds())
}

// shift drops the ended first move and starts the next at the moment it ended.
func (p *planner) shift() {
	end := p.at(0).end
	p.at(0).arc = nil
	p.first = (p.first + 1) % len(p.ring)
	p.count--
	if p.count > 0 {
		p.begin(end)
	}
}

// clear forgets all moves.
func (p *planner) clear() {
	for i := range p.ring {
		p.ring[i].arc = nil
	}
	p.first, p.count = 0, 0
}

// junction returns the speed at which the corner between two moves may be passed:
// the centripetal acceleration on a circle that cuts the corner by deviation mm.
func junction(a, b *block, deviation float64) float64 {
	if deviation == 0 || a.endless || a.dirOut == ([3]float64{}) || b.dirIn == ([3]float64{}) {
		return 0
	}
	cos := 0.0
	for i := range 3 {
		cos -= a.dirOut[i] * b.dirIn[i]
	}
	slowest := min(a.nominal, b.nominal)
	sinHalf := math.Sqrt(max(0, (1-cos)/2))
	if sinHalf > 0.999999 {
		return slowest
	}
	v2 := min(a.accel, b.accel) * deviation * sinHalf / (1 - sinHalf)
	return min(slowest, math.Sqrt(v2))
}
