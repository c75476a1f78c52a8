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

	damaged bool // bytes of it were, on their way
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
	urgent    []byte // beginning of the line that the emergency parser is at
	urgentAt  uint64 // where that line began, counted as rxCount

	// Accepting and executing.
	lastNumber int64
	queue      []entry
	queueFirst int
	queueLen   int
	op         op
	answered   bool // the command has already brought its own ok
	halted     bool
	midLine    bool          // the newest byte off the wire ended no line
	bootAt     time.Duration // when "start" is due; never when running
	stallUntil time.Duration
	stallBusy  bool
	planner    planner

	// Modal state, as G-code sees it.
	pos          [4]float64
	inches       bool
	relative     bool
	relativeE    bool
	filamentMM   float64 // diameter by which E words are volumes; 0: they are lengths
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
	idleHalt     time.Duration // without a move, by M85; 0: never
	lastMotion   time.Duration
	nozzle, bed  heater

	// Periodic reports; never when off.
	busyEvery, busyDue   time.Duration
	waitDue              time.Duration
	tempsEvery, tempsDue time.Duration
	posEvery, posDue     time.Duration
	watchDue             time.Duration
	senseDue             time.Duration // a sensor goes further astray
	mainsAt              time.Duration // when the mains come back
	silent               bool          // no temperature is reported
	frozenTemps          string        // reported for ever; "": not
	frozenPlace          string        // see frozenTemps
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
	c := &controller{set: s, bootAt: never, plugAt: never, mainsAt: never}
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
	c.senseDue = never
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
	c.inches, c.relative, c.relativeE, c.filamentMM, c.plane = false, false, false, 0, 17
	c.feed, c.feedFactor, c.flowFactor = 25, 1, 1
	c.steps, c.maxFeed, c.maxAccel = c.stored, m.MaxFeedMMPerS, m.MaxAccelMMPerS2
	c.accel, c.deviation, c.minExtrudeC = m.AccelMMPerS2, m.JunctionDeviationMM, m.MinExtrudeC
	c.limitsOff, c.fan = false, 0
	c.motorTimeout, c.idleHalt = c.set.Board.MotorTimeout, 0
	c.busyEvery = c.set.Board.Busy
	c.busyDue, c.tempsDue, c.posDue, c.watchDue = never, never, never, never
	c.tempsEvery, c.posEvery = 0, 0
	c.emptiedAt = never
	c.nozzle.set(c.now, 0)
	c.bed.set(c.now, 0)
	c.waitDue = c.waitAfter()
}

func (c *controller) sayf(format string, args ...any) { c.say(fmt.Sprintf(format, args...)) }
