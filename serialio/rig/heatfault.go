package rig

// openSensorC is what a board shows of a sensor whose wire is broken (common practice,
// no source).
const openSensorC = -14

// handC is by how much more somebody else asks a heater.
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
	case Retarget:
		c.target(h, h.target+handC)
	}
	c.watchHeat()
}
