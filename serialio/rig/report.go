package rig

import (
	"strconv"
	"time"
)

// reportWord executes an M word that queries something.
func (c *controller) reportWord(w *words) bool {
	board := &c.set.Board
	switch w.number {
	case 105:
		c.temps(board.OkWithTemps)
	case 113:
		if w.is('S') {
			c.busyEvery = time.Duration(max(0, w.get('S', 0)) * 1e9)
		} else {
			c.sayf("echo:M113 S%g", c.busyEvery.Seconds())
		}
	case 114:
		c.position()
	case 115:
		if !board.Firmware {
			return false
		}
		c.firmware()
	case 118:
		c.sayf("echo:%s", trimWord(c.queue[c.queueFirst].text))
	case 154:
		if !board.ReportPosition {
			return false
		}
		c.posEvery = time.Duration(max(0, w.get('S', 0)) * 1e9)
		c.posDue = later(c.now, c.pace(c.posEvery))
	case 155:
		if !board.ReportTemps {
			return false
		}
		c.tempsEvery = time.Duration(max(0, w.get('S', 0)) * 1e9)
		c.tempsDue = later(c.now, c.pace(c.tempsEvery))
	case 503:
		if board.LimitReport != LimitsByList {
			return false
		}
		for _, word := range []int{92, 203, 201, 204, 205} {
			c.setting("echo:", word)
		}
	default:
		return false
	}
	return true
}

// setting reports one of the board's own settings.
func (c *controller) setting(lead string, word int) {
	each := func(v *[4]float64) { c.sayf("%sM%d X%.2f Y%.2f Z%.2f E%.2f", lead, word, v[X], v[Y], v[Z], v[E]) }
	switch word {
	case 92:
		each(&c.steps)
	case 201:
		each(&c.maxAccel)
	case 203:
		each(&c.maxFeed)
	case 204:
		c.sayf("%sM204 P%.2f T%.2f", lead, c.accel, c.accel)
	case 205:
		c.sayf("%sM205 J%.3f", lead, c.deviation)
	}
}

// trimWord returns a line without its first word.
func trimWord(text []byte) []byte {
	for i, b := range text {
		if b == ' ' {
			return text[i+1:]
		}
	}
	return nil
}

// temps writes the temperature report. With lead it begins with "ok" and is the
// command's acknowledgement; the plain ok that would follow is then left out by the
// caller learning that through c.answered.
func (c *controller) temps(lead bool) {
	if c.silent {
		return
	}
	b := c.out
	if lead {
		if c.faults.hit(LoseOk) {
			c.answered = true
			return
		}
		b = append(b, "ok"...)
		if c.set.Board.AdvancedOk {
			b = c.advanced(b, c.queue[c.queueFirst].number, c.queueLen-1)
		}
		b = append(b, ' ')
		c.answered = true
	}
	if c.frozenTemps != "" {
		c.out = append(b, c.frozenTemps...)
		return
	}
	duty := func(h *heater) int64 {
		if h.old != "" {
			return int64(h.oldDuty)
		}
		return int64(127 * h.duty(c.now))
	}
	if h := &c.nozzle; !h.missing {
		b = c.reading(append(b, "T:"...), h)
	}
	if h := &c.bed; !h.missing {
		b = c.reading(append(b, " B:"...), h)
	}
	b = append(b, " @:"...)
	b = strconv.AppendInt(b, duty(&c.nozzle), 10)
	b = append(b, " B@:"...)
	b = strconv.AppendInt(b, duty(&c.bed), 10)
	c.out = append(b, '\n')
}

// reading writes the temperature and the target of a heater as reports have them.
func (c *controller) reading(b []byte, h *heater) []byte {
	if h.old != "" {
		return append(b, h.old...)
	}
	if h.word != "" {
		b = append(b, h.word...)
	} else {
		t := h.reading(c.now)
		if !h.stuck {
			t += (c.noise.Float64()*2 - 1) * c.set.Machine.SensorNoiseC
		}
		b = strconv.AppendFloat(b, t, 'f', 2, 64)
	}
	b = append(b, " /"...)
	return strconv.AppendFloat(b, h.target, 'f', 2, 64)
}

// position writes the position after all moves that have been taken.
func (c *controller) position() {
	if c.frozenPlace != "" {
		c.out = append(c.out, c.frozenPlace...)
		return
	}
	p := &c.pos
	c.sayf("X:%.2f Y:%.2f Z:%.2f E:%.2f Count X:%d Y:%d Z:%d", p[X], p[Y], p[Z], p[E],
		int64(p[X]*c.steps[X]), int64(p[Y]*c.steps[Y]), int64(p[Z]*c.steps[Z]))
}

func (c *controller) firmware() {
	c.say("FIRMWARE_NAME:rig controller 1.0 PROTOCOL_VERSION:1.0 MACHINE_TYPE:simulated belt machine " +
		"EXTRUDER_COUNT:1 UUID:00000000-0000-4000-8000-000000000001")
	board := &c.set.Board
	if !board.Capabilities {
		return
	}
	for _, capability := range []struct {
		name string
		has  bool
	}{
		{"AUTOREPORT_TEMP", board.ReportTemps},
		{"AUTOREPORT_POS", board.ReportPosition},
		{"EMERGENCY_PARSER", board.EmergencyParser},
		{"PROMPT_SUPPORT", false},
	} {
		on := 0
		if capability.has {
			on = 1
		}
		c.sayf("Cap:%s:%d", capability.name, on)
	}
}

// pace stretches a report interval at speed 0 so far that an idle board's clock,
// running idleRate times the wall's, does not flood the host.
func (c *controller) pace(every time.Duration) time.Duration {
	if c.set.Speed == 0 && every > 0 {
		return max(every, 20*time.Second)
	}
	return every
}

// busyPace returns the time to the next busy report. At speed 0 a wait that will
// end takes no wall time, and would bring thousands at once.
func (c *controller) busyPace() time.Duration {
	endless := c.op.kind == opStuck || c.op.kind == opUser || c.op.kind == opHeat && c.op.until >= never
	if endless || c.now < c.stallUntil {
		return c.busyEvery
	}
	return c.pace(c.busyEvery)
}

// reports writes the periodic reports that are due now.
func (c *controller) reports() {
	silent := c.now < c.stallUntil && !c.stallBusy
	if c.busyDue <= c.now {
		c.busyDue = never
		if c.op.kind != opNone || c.now < c.stallUntil {
			c.busyDue = later(c.now, c.busyPace())
			if !silent {
				c.busy()
			}
		}
	}
	if c.waitDue <= c.now {
		if !silent && c.queueLen == 0 {
			c.say("wait")
		}
		c.waitDue = c.waitAfter()
	}
	if c.tempsDue <= c.now {
		if !silent {
			c.temps(false)
		}
		c.tempsDue = later(c.now, c.pace(c.tempsEvery))
	}
	if c.posDue <= c.now {
		if !silent {
			c.position()
		}
		c.posDue = later(c.now, c.pace(c.posEvery))
	}
	if c.watchDue <= c.now {
		if !silent && c.tempsEvery == 0 && c.set.Board.HeatReports {
			c.temps(false)
		}
		c.watchDue = later(c.now, c.pace(time.Second))
	}
}

func (c *controller) busy() {
	text := "busy: processing"
	if c.op.kind == opUser {
		text = "busy: waiting for user"
	}
	if c.set.Board.BusyEcho {
		text = "echo:" + text
	}
	c.say(text)
}
