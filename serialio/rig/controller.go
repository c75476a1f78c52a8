package rig

import (
	"fmt"
	"math/rand/v2"
	"time"
)

// opKind says what the line at the head of the queue is waiting for.
type opKind int

const (
	opNone  opKind = iota
	opMove         // room in the planner
	opSync         // all moves to end, then opNext
	opDwell        // a moment
	opHeat         // a temperature
	opUser         // M108
	opStuck        // nothing that will ever come: homing an axis without end stop
)

// op is the command being executed, as long as it cannot be finished.
type op struct {
	kind  opKind
	move  block
	next  func() // for opSync: what to do when all moves have ended; may set another op
	until time.Duration
	heat  *heater
}

// entry is an accepted line in the command queue.
type entry struct {
	text   []byte
	number int64
	at     time.Duration
}

// controller is the board. All of it belongs to the rig's one goroutine.
type controller struct {
	set *Settings
	now time.Duration

	// Receiving.
	wire      []wireChunk
	wireBytes int
	rx        []byte // bytes before rxHead have been read
	rxHead    int
	rxCount   uint64 // bytes ever taken into rx
	line      []byte
	tainted   []uint64
	urgent    []byte

	// Accepting and executing.
	lastNumber int64
	queue      []entry
	queueFirst int
	queueLen   int
	op         op
	answered   bool // the command has already brought its own ok
	halted     bool
	bootAt     time.Duration // when "start" is due; never when running
	stallUntil time.Duration
	stallBusy  bool
	planner    planner

	// Modal state, as G-code sees it.
	pos          [4]float64
	inches       bool
	relative     bool
	relativeE    bool
	plane        int
	feed         float64 // mm/s
	feedFactor   float64
	flowFactor   float64
	steps        [4]float64
	stored       [4]float64
	maxFeed      [4]float64
	maxAccel     [4]float64
	accel        float64
	deviation    float64
	minExtrudeC  float64
	limitsOff    bool
	fan          float64
	motorsOn     bool
	motorTimeout time.Duration
	lastMotion   time.Duration
	nozzle, bed  heater

	// Periodic reports; never when off.
	busyEvery, busyDue   time.Duration
	waitDue              time.Duration
	tempsEvery, tempsDue time.Duration
	posEvery, posDue     time.Duration
	watchDue             time.Duration
	emptiedAt            time.Duration // when an extruding move ended with none behind it
	belt                 beltState
	faults               faults
	figures              Figures
	damage               []Damage
	record               recorder
	noise                *rand.Rand
	out                  []byte
	w                    words
	unplug               func(Fault) // the cable comes out
	plug                 func()      // and in again
	plugAt               time.Duration
}

func newController(s *Settings) *controller {
	c := &controller{set: s, bootAt: never, plugAt: never}
	c.record.to = s.RecordTo
	c.noise = rand.New(rand.NewPCG(s.Seed, 1))
	c.belt = beltState{Belt: s.Belt, rng: rand.New(rand.NewPCG(s.Seed, 2)), current: -1, nextDrawM: quantumM}
	c.belt.damage = c.damaged
	if c.belt.TrueStepsPerMM == 0 {
		c.belt.TrueStepsPerMM = s.Machine.StepsPerMM[s.Belt.axis()]
	}
	c.faults.init(s.Seed, s.Faults)
	c.queue = make([]entry, s.Board.Queue)
	c.planner.ring = make([]block, s.Board.Planner)
	c.stored = s.Machine.StepsPerMM
	c.nozzle = heater{Heater: s.Machine.Nozzle, ambient: s.Machine.AmbientC, tempC: s.Machine.AmbientC}
	c.bed = heater{Heater: s.Machine.Bed, ambient: s.Machine.AmbientC, tempC: s.Machine.AmbientC}
	c.forget()
	return c
}

// forget brings the board into the state after power-up. Physical things stay.
func (c *controller) forget() {
	m := &c.set.Machine
	c.stop()
	c.line = c.line[:0]
	c.emptyBuffer()
	c.urgent = c.urgent[:0]
	c.queueFirst, c.queueLen = 0, 0
	c.op = op{}
	c.lastNumber, c.answered = 0, false
	c.halted, c.stallUntil = false, 0
	c.pos = [4]float64{}
	c.inches, c.relative, c.relativeE, c.plane = false, false, false, 17
	c.feed, c.feedFactor, c.flowFactor = 25, 1, 1
	c.steps, c.maxFeed, c.maxAccel = c.stored, m.MaxFeedMMPerS, m.MaxAccelMMPerS2
	c.accel, c.deviation, c.minExtrudeC = m.AccelMMPerS2, m.JunctionDeviationMM, m.MinExtrudeC
	c.limitsOff, c.fan = false, 0
	c.motorTimeout = c.set.Board.MotorTimeout
	c.busyEvery = c.set.Board.Busy
	c.busyDue, c.tempsDue, c.posDue, c.watchDue = never, never, never, never
	c.tempsEvery, c.posEvery = 0, 0
	c.emptiedAt = never
	c.nozzle.set(c.now, 0)
	c.bed.set(c.now, 0)
	c.waitDue = c.waitAfter()
}

// reset is a reset by button, watchdog, supply dip or modem line.
func (c *controller) reset() {
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
			c.pos[i] = m.from[i] + m.delta[i]*m.done
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
	if slip := c.belt.SlipOnReleaseMM; slip != 0 {
		c.belt.move(slip, max(slip, -slip), 0)
	}
	c.figures.MotorReleases++
	c.damaged(why)
}

// damaged notes something that hurts the work, for the tests to see.
func (c *controller) damaged(what string) {
	c.damage = append(c.damage, Damage{At: c.now, What: what})
}

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
	axis := c.belt.axis()
	var net, travel, low, high float64
	if m.arc != nil && (axis == m.arc.p || axis == m.arc.q) {
		net, travel, low, high = m.arc.swept(axis, m.done, f)
	} else {
		net = m.delta[axis] * (f - m.done)
		travel = max(net, -net)
		low, high = min(net, 0), max(net, 0)
	}
	at := c.belt.advanceMM
	k := m.beltScale
	if travel > 0 {
		c.belt.move(net*k, travel*k, travel)
	}
	if e := m.delta[E] * (f - m.done); e != 0 {
		c.belt.extrude(t, e, m.dirIn != [3]float64{}, at+low*k, at+high*k)
	}
	if travel > 0 {
		c.belt.drop(t, c.bed.at(t))
	}
	m.done = f
}

// nextEvent returns when the board next has something to do by itself.
func (c *controller) nextEvent() time.Duration {
	t := min(c.bootAt, c.busyDue, c.waitDue, c.tempsDue, c.posDue, c.watchDue, c.plugAt, c.faults.nextTime)
	if c.planner.count > 0 {
		t = min(t, c.planner.at(0).end)
	} else if c.motorsOn && c.motorTimeout > 0 {
		t = min(t, c.lastMotion+c.motorTimeout)
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
			c.now = max(c.now, arrival)
			c.arrive()
		} else {
			c.partial(event)
			c.now = event
			c.happen()
		}
		if len(c.out) > 0 {
			ship()
		}
	}
	if t > c.now {
		c.partial(t)
		c.now = t
	}
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
	c.faults.timed(c)
	c.reports()
	if c.planner.count == 0 && c.motorsOn && c.motorTimeout > 0 && c.now >= c.lastMotion+c.motorTimeout {
		c.releaseMotors("idle timeout released the motors")
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
			c.busyDue = later(c.now, c.busyEvery)
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

func (c *controller) sayf(format string, args ...any) { c.say(fmt.Sprintf(format, args...)) }
