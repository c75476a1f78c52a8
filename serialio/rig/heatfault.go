package rig

import (
	"math"
	"time"
)

// openSensorC is what a board shows of a sensor whose wire is broken (common practice,
// no source).
const openSensorC = -14

// shortSensorC is what it shows of one whose wires touch (common practice, no source).
const shortSensorC = 415

// What a board's controller believes of a sensor that does not answer, and of one at the top of
// its table (common practice, no source).
const (
	floorSensorC = -127
	topSensorC   = 1100
)

// How sensors go astray, made up, and slow enough for a limit on jumps to pass:
const (
	driftKPerMin = 4.0  // of a drifting sensor, downwards
	looseShare   = 0.75 // of what a body is above the air that a loose sensor does not feel
	looseS       = 20.0 // time constant of its cooling, seconds
	senseEvery   = time.Second
)

// glide moves the reading of a sensor that goes astray on by a step.
func (h *heater) glide(t time.Duration) {
	h.settle(t)
	if h.drifts {
		h.offC -= driftKPerMin * senseEvery.Minutes()
	}
	if h.loose {
		h.unfelt += (looseShare - h.unfelt) * -math.Expm1(-senseEvery.Seconds()/looseS)
	}
}

// sense moves the readings of all sensors that go astray.
func (c *controller) sense() {
	c.senseDue = never
	for _, h := range []*heater{&c.nozzle, &c.bed} {
		if h.drifts || h.loose {
			h.glide(c.now)
			c.senseDue = c.now + senseEvery
		}
	}
	if c.nozzle.swapped {
		c.swap()
	}
	if c.senseDue < never {
		c.watchHeat()
	}
}

// swap lets each sensor show the body of the other heater as it is now.
func (c *controller) swap() {
	c.nozzle.settle(c.now)
	c.bed.settle(c.now)
	c.nozzle.stuckC, c.bed.stuckC = c.bed.tempC, c.nozzle.tempC
	c.nozzle.swapped, c.bed.swapped = true, true
	c.senseDue = c.now + senseEvery
}

// boardFault makes a fault of the whole board happen now.
func (c *controller) boardFault(x Fault) {
	switch x.Kind {
	case SwappedSensors:
		c.swap()
		c.damaged("the sensors of nozzle and bed are swapped")
	case NoMains:
		c.mains(false)
		c.mainsAt = later(c.now, x.For)
	case NoReports:
		c.silent = true
		c.damaged("the board reports no temperature")
	case FrozenAnswers:
		kept := c.out
		c.out = nil
		c.temps(false)
		c.frozenTemps = string(c.out)
		c.out = nil
		c.position()
		c.frozenPlace = string(c.out)
		c.out = kept
		c.damaged("the board reports old values of everything")
	}
	c.watchHeat()
}

// mains takes the current from heaters and motors, or gives it back. The board goes on by
// the computer's, and counts moves that nothing makes.
func (c *controller) mains(on bool) {
	c.book(c.now)
	for _, h := range []*heater{&c.nozzle, &c.bed} {
		h.settle(c.now)
		h.noMains = !on
	}
	c.mainsAt = never
	if !on {
		c.damaged("the mains are gone and the board lives on")
		if slip := c.belt.SlipOnReleaseMM; slip != 0 && c.motorsOn {
			c.belt.move(slip, max(slip, -slip), 0)
		}
	}
	c.watchHeat()
}

// handC is how much higher a target somebody else sets.
const handC = 20

// heatFault makes a fault of one heater happen now.
func (c *controller) heatFault(x Fault) {
	h, name := &c.nozzle, "nozzle"
	if x.Bed {
		h, name = &c.bed, "bed"
	}
	shown := h.reading(c.now)
	h.settle(c.now)
	switch x.Kind {
	case NoHeat:
		h.dead = true
		c.damaged("the " + name + " heater has failed")
	case FullHeat:
		h.always = true
		c.damaged("the " + name + " heater is fully on")
	case StuckSensor:
		h.stuck, h.stuckC = true, shown
		c.damaged("the " + name + " sensor is stuck")
	case BrokenSensor:
		h.stuck, h.stuckC = true, openSensorC
		c.damaged("the " + name + " sensor is broken")
	case ShortSensor:
		h.stuck, h.stuckC = true, shortSensorC
		c.damaged("the wires of the " + name + " sensor touch")
	case DriftSensor:
		h.drifts, c.senseDue = true, c.now+senseEvery
		c.damaged("the " + name + " sensor drifts")
	case LooseSensor:
		h.loose, c.senseDue = true, c.now+senseEvery
		c.damaged("the " + name + " sensor has slipped off")
	case WeakHeat:
		h.PowerW /= 3
		c.damaged("the " + name + " heater is weak")
	case MissingSensor:
		h.stuck, h.stuckC, h.missing = true, floorSensorC, true
		c.damaged("the " + name + " sensor is gone")
	case NanSensor:
		h.stuck, h.stuckC, h.word = true, floorSensorC, "nan"
		c.damaged("the " + name + " sensor is gone")
	case FloorSensor:
		h.stuck, h.stuckC = true, floorSensorC
		c.damaged("the " + name + " sensor does not answer")
	case TopSensor:
		h.stuck, h.stuckC = true, topSensorC
		c.damaged("the " + name + " sensor is at the top of its table")
	case IgnoreOff:
		h.ignoresOff = true
		c.damaged("the board does not switch the " + name + " off")
	case OldReadings:
		h.old, h.oldDuty = string(c.reading(nil, h)), int(127*h.duty(c.now))
		c.damaged("the board reports old values of the " + name)
	case Retarget:
		c.target(h, h.target+handC)
	}
	c.watchHeat()
}
