package rig

import "time"

// book brings belt, filament and parts up to t for the running move.
func (c *controller) book(t time.Duration) {
	if c.planner.count == 0 {
		return
	}
	m := c.planner.at(0)
	f := 1.0
	if t < m.end {
		f = m.run.fraction((t - m.start).Seconds())
	}
	if f <= m.done {
		return
	}
	if c.nozzle.noMains { // no motor turns
		m.done = f
		return
	}
	axis := c.belt.axis()
	net, travel, low, high := m.swept(axis, f)
	at := c.belt.advanceMM
	k := m.beltScale
	if c.belt.Reversed {
		net, low, high = -net, -high, -low
	}
	if travel > 0 {
		c.belt.move(net*k, travel*k, travel)
	}
	c.belt.leave(m.at(Z, f))
	c.collide(m, f, at, at+low*k, at+high*k)
	if e := m.delta[E] * (f - m.done); e != 0 {
		c.belt.extrude(t, e, m.dirIn != [3]float64{}, at+low*k, at+high*k)
		if e > 0 && c.belt.current >= 0 && m.dirIn != [3]float64{} {
			c.laid(&c.belt.parts[c.belt.current], m, f, at)
		}
	}
	if travel > 0 {
		c.belt.drop(t, &c.bed)
	}
	m.done = f
}

// nextEvent returns when the board next has something to do by itself.
func (c *controller) nextEvent() time.Duration {
	t := min(c.bootAt, c.busyDue, c.waitDue, c.tempsDue, c.posDue, c.watchDue, c.senseDue, c.plugAt, c.mainsAt, c.faults.nextTime)
	if c.planner.count > 0 {
		t = min(t, c.planner.at(0).end)
	} else {
		if c.motorsOn && c.motorTimeout > 0 {
			t = min(t, c.lastMotion+c.motorTimeout)
		}
		if c.idleHalt > 0 && !c.halted {
			t = min(t, c.lastMotion+c.idleHalt)
		}
	}
	if c.stallUntil > c.now {
		t = min(t, c.stallUntil)
	} else if c.op.kind == opDwell || c.op.kind == opHeat {
		t = min(t, c.op.until)
	}
	return max(t, c.now)
}

// runTo lets the board live until machine time t: bytes arrive, moves end, reports
// fall due, each at its own moment and in order. ship is called after each moment
// with what the board said.
func (c *controller) runTo(t time.Duration, ship func()) {
	for {
		event, arrival := c.nextEvent(), c.nextArrival()
		if min(event, arrival) > t {
			break
		}
		if arrival <= event {
			c.elapse(arrival)
			c.arrive()
		} else {
			c.partial(event)
			c.elapse(event)
			c.happen()
		}
		if len(c.out) > 0 {
			ship()
		}
	}
	if t > c.now {
		c.partial(t)
		c.elapse(t)
	}
}

// elapse moves the board's time on to t, in which nothing happens.
func (c *controller) elapse(t time.Duration) {
	if t <= c.now {
		return
	}
	if c.op.kind != opNone || c.planner.count > 0 {
		c.figures.WorkTime += t - c.now
	}
	c.now = t
}

// happen does what is due now.
func (c *controller) happen() {
	for c.planner.count > 0 && c.planner.at(0).end <= c.now {
		m := c.planner.at(0)
		c.book(m.end)
		c.lastMotion = m.end
		c.emptiedAt = never
		if c.planner.count == 1 && m.delta[E] > 0 && m.dirIn != ([3]float64{}) {
			c.emptiedAt = m.end
		}
		c.planner.shift()
	}
	if c.bootAt <= c.now {
		c.boot()
	}
	if c.plugAt <= c.now {
		c.plug()
	}
	if c.mainsAt <= c.now {
		c.mains(true)
	}
	c.faults.timed(c)
	if c.senseDue <= c.now {
		c.sense()
	}
	c.reports()
	if c.planner.count == 0 && c.motorsOn && c.motorTimeout > 0 && c.now >= c.lastMotion+c.motorTimeout {
		c.releaseMotors("idle timeout released the motors")
	}
	if c.planner.count == 0 && c.idleHalt > 0 && !c.halted && c.now >= c.lastMotion+c.idleHalt {
		c.halt("idle for too long")
	}
	c.settle()
}

// settle works on until nothing more can be done at this moment.
func (c *controller) settle() {
	for !c.halted && c.bootAt == never && c.stallUntil <= c.now {
		if c.op.kind != opNone {
			if !c.ready() {
				c.readLines() // a waiting board still fills its queue
				return
			}
			if c.op.kind != opNone {
				continue // one thing waited for has led to the next
			}
			c.finish()
		}
		if c.queueLen == 0 {
			c.readLines()
			if c.queueLen == 0 {
				return
			}
		}
		c.begin()
		if c.op.kind == opNone && c.queueLen > 0 {
			c.finish()
		} else if c.op.kind != opNone {
			c.busyDue = later(c.now, c.busyPace())
		}
		c.readLines()
	}
}

// ready reports whether the waiting command can go on, and lets it.
func (c *controller) ready() bool {
	o := &c.op
	switch o.kind {
	case opMove:
		if c.planner.full() {
			return false
		}
		c.plan(o.move)
		o.kind = opNone
	case opSync:
		if c.planner.count > 0 {
			return false
		}
		next := o.next
		o.kind, o.next = opNone, nil
		if next != nil {
			next()
		}
	case opDwell:
		if c.now < o.until {
			return false
		}
		o.kind = opNone
		if next := o.next; next != nil {
			o.next = nil
			next()
		}
	case opHeat:
		if c.now < o.until {
			return false
		}
		o.kind, c.watchDue = opNone, never
	default:
		return false
	}
	return true
}

// finish answers the command at the head of the queue and removes it.
func (c *controller) finish() {
	number := c.queue[c.queueFirst].number
	c.record.finish(c.now)
	c.queueFirst = (c.queueFirst + 1) % len(c.queue)
	c.queueLen--
	c.busyDue = never
	c.waitDue = c.waitAfter()
	if c.answered {
		c.answered = false
		return
	}
	c.ok(number)
}

// later returns t plus an interval, or never if the interval is none.
func later(t, every time.Duration) time.Duration {
	if every <= 0 {
		return never
	}
	return t + every
}

// waitAfter returns when the next wait report is due, if nothing happens.
func (c *controller) waitAfter() time.Duration {
	every := c.set.Board.Wait
	if c.set.Speed == 0 {
		every *= idleRate // keep it at a bearable pace by the wall's clock
	}
	return later(c.now, every)
}
