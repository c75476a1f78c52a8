package rig

import (
	"math"
	"time"
)

const mmPerInch = 25.4

// motionWord executes a G word.
func (c *controller) motionWord(w *words) bool {
	switch w.number {
	case 0, 1:
		c.move(w, 0)
	case 2, 3:
		c.move(w, w.number)
	case 4:
		pause := time.Duration((w.get('P', 0)/1000 + w.get('S', 0)) * 1e9)
		c.after(func() { c.dwell(max(0, pause), nil) })
	case 10:
		return c.toolHeat(w)
	case 17, 18, 19:
		c.plane = w.number
	case 20, 21:
		c.inches = w.number == 20
	case 28:
		c.home(w)
	case 90, 91:
		c.relative = w.number == 91
		if !c.set.Board.ExtruderKeepsMode {
			c.relativeE = c.relative
		}
	case 92:
		none := !w.is('X') && !w.is('Y') && !w.is('Z') && !w.is('E')
		for i := range c.pos {
			if none {
				c.pos[i] = 0
			} else if w.is(axisNames[i]) {
				c.pos[i] = w.get(axisNames[i], 0) * c.unit()
			}
		}
	default:
		return false
	}
	return true
}

func (c *controller) unit() float64 {
	if c.inches {
		return mmPerInch
	}
	return 1
}

// move takes a straight move (kind 0) or an arc (2 clockwise, 3 counter-clockwise).
func (c *controller) move(w *words, kind int) {
	unit := c.unit()
	if f := w.get('F', 0); f > 0 {
		c.feed = f * unit / 60
	}
	from, to := c.pos, c.pos
	for i := range to {
		if !w.is(axisNames[i]) {
			continue
		}
		v := w.get(axisNames[i], 0) * unit
		if i == E && c.relativeE || i != E && c.relative {
			v += from[i]
		}
		to[i] = v
	}
	if !c.limit(&to) {
		return
	}
	b := block{from: from, entryMax: 0}
	if kind != 0 {
		i, j := byte('I'), byte('J')
		switch c.plane {
		case 18:
			i, j = 'K', 'I'
		case 19:
			i, j = 'J', 'K'
		}
		off := [2]float64{w.get(i, 0) * unit, w.get(j, 0) * unit}
		a, ok := newArc(c.plane, from, to, off, w.get('R', 0)*unit, w.is('R'), kind == 2)
		if !ok {
			c.say("Error:arc without centre or radius, not made")
			return
		}
		b.arc = a
	}
	c.pos = to
	for i := range b.delta {
		b.delta[i] = to[i] - from[i]
	}
	if d := c.filamentMM; d > 0 {
		b.delta[E] /= math.Pi * d * d / 4
	}
	if b.delta[E] != 0 {
		if c.minExtrudeC > 0 && c.nozzle.reading(c.now) < c.minExtrudeC {
			c.figures.ColdExtrusions++
			c.say("echo:cold extrusion prevented")
			b.delta[E] = 0
		}
		b.delta[E] *= c.flowFactor
	}
	if !c.shape(&b) {
		return // no movement at all
	}
	if c.planner.full() {
		c.op = op{kind: opMove, move: b}
		return
	}
	c.plan(b)
}

// limit applies the travel limits to an end position. It reports whether the move
// is made.
func (c *controller) limit(to *[4]float64) bool {
	if c.limitsOff {
		return true
	}
	made := true
	for i, l := range c.set.Board.LimitMM {
		if l[0] == l[1] || to[i] >= l[0] && to[i] <= l[1] {
			continue
		}
		c.figures.LimitHits++
		if c.set.Board.Limits == LimitIgnore {
			c.sayf("Error:%c %.2f outside %.2f to %.2f, move ignored", axisNames[i], to[i], l[0], l[1])
			made = false
			continue
		}
		c.sayf("Error:%c %.2f outside %.2f to %.2f, move clipped", axisNames[i], to[i], l[0], l[1])
		to[i] = min(max(to[i], l[0]), l[1])
	}
	return made
}

// shape works out length, direction, speed and acceleration of a move.
func (c *controller) shape(b *block) bool {
	d := &b.delta
	b.length = math.Sqrt(d[X]*d[X] + d[Y]*d[Y] + d[Z]*d[Z])
	if a := b.arc; a != nil {
		turn := a.radius * math.Abs(a.sweep)
		axial := d[3-a.p-a.q]
		b.length = math.Hypot(turn, axial)
		b.dirIn, b.dirOut = a.tangent(0, axial/turn), a.tangent(1, axial/turn)
	} else if b.length > 0 {
		b.dirIn = [3]float64{d[X] / b.length, d[Y] / b.length, d[Z] / b.length}
		b.dirOut = b.dirIn
	} else {
		b.length = math.Abs(d[E])
	}
	if b.length == 0 {
		return false
	}
	b.nominal, b.accel = c.feed*c.feedFactor, c.accel
	for i := range d {
		share := math.Abs(d[i]) / b.length
		if b.on(i) {
			share = 1 // somewhere on the way the whole speed may lie in this axis
		}
		if share > 0 {
			b.nominal = min(b.nominal, c.maxFeed[i]/share)
			b.accel = min(b.accel, c.maxAccel[i]/share)
		}
	}
	axis := c.belt.axis()
	b.beltScale = c.steps[axis] / c.belt.TrueStepsPerMM
	return true
}

// plan hands a shaped move to the planner, which has room.
func (c *controller) plan(b block) {
	c.motorsOn = true
	if c.planner.count == 0 && c.set.Speed > 0 && b.delta[E] > 0 && b.dirIn != ([3]float64{}) &&
		c.emptiedAt < c.now && c.now-c.emptiedAt < time.Second {
		c.figures.Starved++
	}
	c.emptiedAt = never
	c.planner.add(b, c.now, c.deviation)
}

// home executes G28. Axes with an end stop are driven to it and set to zero; the
// belt axis has none, and homing it never ends.
func (c *controller) home(w *words) {
	all := !w.is('X') && !w.is('Y') && !w.is('Z')
	axis := c.belt.axis()
	belt := all || w.is(axisNames[axis])
	var seconds float64
	var axes []int
	for i := X; i <= Z; i++ {
		if i != axis && (all || w.is(axisNames[i])) {
			axes = append(axes, i)
			seconds += (math.Abs(c.pos[i]) + 10) / c.set.Machine.HomingFeedMMPerS
		}
	}
	c.after(func() {
		c.dwell(time.Duration(seconds*1e9), func() {
			for _, i := range axes {
				c.pos[i] = 0
			}
			c.motorsOn, c.lastMotion = true, c.now
			if belt {
				c.runaway(axis)
			}
		})
	})
}

// runaway is the belt looking for an end stop that is not there.
func (c *controller) runaway(axis int) {
	c.figures.BeltHomings++
	c.damaged("the belt axis was homed: it runs without end")
	b := block{from: c.pos, endless: true, length: 1e9, accel: c.accel, nominal: c.set.Machine.HomingFeedMMPerS}
	b.delta[axis] = -b.length
	b.dirIn[axis], b.dirOut[axis] = -1, -1
	b.beltScale = c.steps[axis] / c.belt.TrueStepsPerMM
	c.planner.add(b, c.now, 0)
	c.block(opStuck)
}
