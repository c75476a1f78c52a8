package rig

// reset is a reset by button, watchdog, supply dip or modem line.
func (c *controller) reset() {
	c.figures.Resets++
	c.figures.ResetAt = append(c.figures.ResetAt, c.now)
	c.forget()
	if c.motorsOn {
		c.releaseMotors("reset released the motors")
	}
	c.bootAt = c.now + c.set.Board.BootTime
	if c.set.Speed == 0 {
		c.bootAt = c.now
	}
	c.waitDue = never
	if c.bootAt <= c.now {
		c.boot()
	}
}

// boot ends a reset.
func (c *controller) boot() {
	c.bootAt = never
	c.line = c.line[:0]
	c.emptyBuffer()
	if c.midLine {
		c.taintAt(c.rxCount) // what comes next is the rest of a line of which it has not seen the beginning
	}
	c.say("start")
	c.say("echo:rig controller 1.0, belt axis " + string(c.set.Belt.Axis))
	c.waitDue = c.waitAfter()
}

// stop ends all motion at once, and books what was done of it.
func (c *controller) stop() {
	if c.planner.count > 0 {
		c.book(c.now)
		m := c.planner.at(0)
		for i := range c.pos {
			c.pos[i] = m.at(i, m.done)
		}
		c.planner.clear()
		c.lastMotion = c.now
	}
}

// halt is the end of all work until a reset.
func (c *controller) halt(why string) {
	if c.halted {
		return
	}
	c.stop()
	c.nozzle.set(c.now, 0)
	c.bed.set(c.now, 0)
	c.fan = 0
	c.queueLen, c.op = 0, op{}
	c.line = c.line[:0]
	c.emptyBuffer()
	c.halted = true
	c.busyDue, c.waitDue, c.tempsDue, c.posDue, c.watchDue = never, never, never, never, never
	if c.motorsOn {
		c.releaseMotors("halt released the motors")
	}
	c.figures.Halts++
	if c.set.Board.HaltBang {
		c.say("!!")
		return
	}
	c.say("Error:machine halted: " + why + "; reset it")
}

// releaseMotors takes the current from all motors. The belt slips by a little.
func (c *controller) releaseMotors(why string) {
	c.motorsOn = false
	if slip := c.belt.SlipOnReleaseMM; slip != 0 && !c.nozzle.noMains { // without mains they were loose before
		c.belt.move(slip, max(slip, -slip), 0)
	}
	c.figures.MotorReleases++
	c.damaged(why)
}

// damaged notes something that hurts the work, for the tests to see.
func (c *controller) damaged(what string) {
	c.damage = append(c.damage, Damage{At: c.now, What: what})
}
