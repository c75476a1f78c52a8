package rig

import (
	"math"
	"time"
)

// begin executes the line at the head of the queue, or sets c.op to what it waits for.
func (c *controller) begin() {
	e := &c.queue[c.queueFirst]
	c.record.add(e.text, e.number, e.at, e.damaged)
	c.figures.LinesExecuted++
	w := &c.w
	if !w.parse(e.text) {
		c.unknown(e.text)
		return
	}
	known := false
	switch w.letter {
	case 'G':
		known = c.motionWord(w)
	case 'M':
		known = c.machineWord(w) || c.tuningWord(w)
	case 'T':
		known = w.number == 0
	}
	if !known {
		c.unknown(e.text)
	}
}

func (c *controller) unknown(text []byte) {
	c.figures.UnknownCommands++
	c.record.unknown()
	c.sayf("echo:unknown command %q", text)
}

// machineWord executes an M word that acts on heat, motors or the run itself.
func (c *controller) machineWord(w *words) bool {
	switch w.number {
	case 0, 1:
		c.after(func() { c.block(opUser) })
	case 18, 84:
		c.motorsOff(w)
	case 104:
		if w.get('T', 0) != 0 {
			return false
		}
		c.target(&c.nozzle, w.get('S', c.nozzle.target))
	case 568:
		return c.toolHeat(w)
	case 140:
		c.target(&c.bed, w.get('S', c.bed.target))
	case 109:
		if w.get('T', 0) != 0 {
			return false
		}
		c.heatWait(&c.nozzle, w)
	case 190:
		c.heatWait(&c.bed, w)
	case 106:
		c.fan = min(255, max(0, w.get('S', 255)))
	case 107:
		c.fan = 0
	case 108, 110, 117: // acted upon before the queue, or for a display
	case 112:
		if c.nozzle.ignoresOff || c.bed.ignoresOff {
			break
		}
		c.figures.EmergencyStops++
		c.halt("emergency stop")
	case 85:
		if !c.set.Board.IdleHalt {
			return c.reportWord(w)
		}
		c.lastMotion = max(c.lastMotion, c.now) // its time begins with the word
		c.idleHalt = time.Duration(max(0, w.get('S', 0)) * 1e9)
	case 400:
		c.after(nil)
	case 410:
		c.quickStop()
	case 808:
		c.say("echo:M808 ignored: repeat markers work in stored files only")
	default:
		return c.reportWord(w)
	}
	return true
}

// after lets the command wait until all moves have ended, then do next.
func (c *controller) after(next func()) {
	c.op = op{kind: opSync, next: next}
}

// dwell lets the command take a time, then do next.
func (c *controller) dwell(d time.Duration, next func()) {
	c.op.kind, c.op.until, c.op.next = opDwell, c.now+d, next
}

// block lets the command wait for what may never come.
func (c *controller) block(kind opKind) {
	c.op.kind = kind
	c.busyDue = later(c.now, c.busyEvery)
}

func (c *controller) motorsOff(w *words) {
	if w.is('S') {
		c.motorTimeout = time.Duration(max(0, w.get('S', 0)) * 1e9)
		return
	}
	axes := w.is('X') || w.is('Y') || w.is('Z') || w.is('E')
	if axes && !w.is(c.set.Belt.Axis) {
		return
	}
	c.after(func() {
		if c.motorsOn {
			c.releaseMotors("M84 released the motors")
		}
	})
}

// target sets a heater. Beyond the maximum it is refused.
func (c *controller) target(h *heater, target float64) {
	if target > h.MaxC {
		c.sayf("Error:target %g above the maximum %g, not set", target, h.MaxC)
		return
	}
	if target <= 0 && h.ignoresOff {
		return
	}
	h.set(c.now, max(0, target))
	c.watchHeat()
}

// toolHeat executes M568, and G10 where it means heat: P is a tool, of which there is one, and S its target.
func (c *controller) toolHeat(w *words) bool {
	if !w.is('S') || w.is('L') || w.get('P', 0) != 0 || w.number == 10 && !w.is('P') && !w.is('R') {
		return false
	}
	c.target(&c.nozzle, w.get('S', 0))
	return true
}

// heatWait executes M109 and M190: S waits while heating only, R for cooling too.
func (c *controller) heatWait(h *heater, w *words) {
	goal := w.get('R', w.get('S', h.target))
	c.target(h, goal)
	if h.target != goal || goal == 0 {
		return
	}
	if !w.is('R') && h.reading(c.now) >= goal {
		return
	}
	c.op = op{kind: opHeat, heat: h}
	c.watchHeat()
	c.watchDue = c.now + time.Second
}

// watchHeat recomputes when the heat that is waited for will be there.
func (c *controller) watchHeat() {
	if c.op.kind != opHeat {
		return
	}
	h := c.op.heat
	// Near enough is half a degree, on the side the temperature comes from.
	goal := h.target
	if now := h.reading(c.now); now < goal-0.5 {
		goal -= 0.5
	} else if now > goal+0.5 {
		goal += 0.5
	} else {
		c.op.until = c.now
		return
	}
	c.op.until = h.reaches(c.now, goal)
}

// quickStop ends all motion and whatever waits for motion.
func (c *controller) quickStop() {
	c.stop()
	switch c.op.kind {
	case opMove, opSync, opStuck:
		c.op = op{kind: opDwell, until: c.now}
	}
	c.figures.QuickStops++
}

// tuningWord executes an M word that changes the board's own settings.
func (c *controller) tuningWord(w *words) bool {
	each := func(to *[4]float64) {
		for i := range to {
			if v := w.get(axisNames[i], 0); v > 0 {
				to[i] = v
			}
		}
	}
	switch w.number {
	case 201, 203, 204, 205:
		if w.has == 0 && c.set.Board.LimitReport == LimitsByWord {
			c.setting("", w.number)
		}
	}
	switch w.number {
	case 82:
		c.relativeE = false
	case 83:
		c.relativeE = true
	case 200:
		c.filamentMM = w.get('D', 0)
	case 92:
		if w.has == 0 {
			c.setting("", 92)
		}
		each(&c.steps)
	case 201:
		each(&c.maxAccel)
	case 203:
		each(&c.maxFeed)
	case 204:
		for _, l := range []byte{'S', 'P'} {
			if v := w.get(l, 0); v > 0 {
				c.accel = v
			}
		}
	case 205:
		if v := w.get('J', -1); v >= 0 {
			c.deviation = v
		}
	case 211:
		c.limitsOff = w.is('S') && w.get('S', 1) == 0
	case 220:
		c.feedFactor = max(0.01, w.get('S', c.feedFactor*100)/100)
	case 221:
		c.flowFactor = max(0, w.get('S', c.flowFactor*100)/100)
	case 302:
		c.minExtrudeC = math.Max(0, w.get('S', c.minExtrudeC))
		if w.get('P', 0) == 1 {
			c.minExtrudeC = 0
		}
	case 500:
		c.stored = c.steps
	case 501:
		c.steps = c.stored
	default:
		return false
	}
	return true
}
