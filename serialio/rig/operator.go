package rig

import (
	"fmt"
	"maps"
	"slices"
)

// Unplug takes the cable out until Replug.
func (r *Rig) Unplug() { r.do(func() { r.ctl.faults.act(r.ctl, Fault{Kind: Unplug}) }) }

// Replug puts the cable in again, whoever took it out.
func (r *Rig) Replug() { r.do(r.plugged) }

// Reset presses the board's reset button.
func (r *Rig) Reset() {
	r.do(func() {
		r.ctl.faults.act(r.ctl, Fault{Kind: Reset})
		r.ship()
	})
}

// Inject plans a fault; one without a trigger happens at once, or, if it damages a
// message, on the next one.
func (r *Rig) Inject(f Fault) error {
	if err := f.check(); err != nil {
		return fmt.Errorf("cannot inject %v: %w", f.Kind, err)
	}
	r.do(func() {
		r.ctl.faults.add(f)
		r.ctl.faults.timed(r.ctl)
		r.ship()
	})
	return nil
}

// Record returns every line executed so far, in order. With Settings.RecordTo it
// returns nothing.
func (r *Rig) Record() (list []Executed) {
	r.do(func() { list = r.ctl.record.all() })
	return list
}

// Parts returns the parts made so far, in the order in which they were begun.
func (r *Rig) Parts() (list []Part) {
	r.do(func() {
		c := r.ctl
		c.book(c.now)
		c.belt.drop(c.now, &c.bed)
		list = slices.Clone(c.belt.parts)
	})
	return list
}

// Figures returns the totals.
func (r *Rig) Figures() (f Figures) {
	r.do(func() {
		c := r.ctl
		c.book(c.now)
		c.belt.drop(c.now, &c.bed)
		f = c.figures
		f.MachineTime, f.Halted = c.now, c.halted
		f.BeltTravelMM, f.BeltAdvanceMM = c.belt.travelMM, c.belt.advanceMM
		f.LaidOn = c.belt.laidOn
		f.CommandedMM, f.FilamentMM = c.belt.commanded, c.belt.filamentMM
		for _, p := range c.belt.parts {
			if p.Dropped {
				f.PartsDropped++
			}
		}
		f.Faults = maps.Clone(c.faults.byKind())
		f.Damage = slices.Clone(c.damage)
		f.ResetAt = slices.Clone(c.figures.ResetAt)
	})
	return f
}

// LateralOffsetMM returns where the belt lies sideways, as the operator would
// measure it without error: millimetres, + to the right.
func (r *Rig) LateralOffsetMM() (mm float64) {
	r.do(func() { r.ctl.book(r.ctl.now); mm = r.ctl.belt.offsetMM })
	return mm
}

// Realign is the operator realigning the belt; it then lies at offsetMM.
func (r *Rig) Realign(offsetMM float64) {
	r.do(func() { r.ctl.book(r.ctl.now); r.ctl.belt.offsetMM = offsetMM })
}

// Adjust is the operator turning an adjuster of the belt's tracking: from now on it goes
// sideways by so much more for each metre of net advance.
func (r *Rig) Adjust(mmPerM float64) {
	r.do(func() { r.ctl.book(r.ctl.now); r.ctl.belt.DriftPerAdvanceMMPerM += mmPerM })
}

// EmptyBin takes the fallen parts away and returns how many there were.
func (r *Rig) EmptyBin() (n int) {
	r.do(func() {
		c := r.ctl
		c.book(c.now)
		c.belt.drop(c.now, &c.bed)
		n, c.belt.bin = c.belt.bin, 0
	})
	return n
}

// BeltTravelMM returns the absolute movement of the physical belt so far.
func (r *Rig) BeltTravelMM() (mm float64) {
	r.do(func() { r.ctl.book(r.ctl.now); mm = r.ctl.belt.travelMM })
	return mm
}

// BeltAdvanceMM returns the net movement of the physical belt so far.
func (r *Rig) BeltAdvanceMM() (mm float64) {
	r.do(func() { r.ctl.book(r.ctl.now); mm = r.ctl.belt.advanceMM })
	return mm
}

// Temperatures returns the true temperatures of nozzle and bed and their targets.
func (r *Rig) Temperatures() (nozzleC, nozzleTargetC, bedC, bedTargetC float64) {
	r.do(func() {
		c := r.ctl
		nozzleC, nozzleTargetC = c.nozzle.at(c.now), c.nozzle.target
		bedC, bedTargetC = c.bed.at(c.now), c.bed.target
	})
	return
}

// PowersW returns what the elements of nozzle and bed turn into heat just now, W: the truth,
// whatever the board or a sensor says.
func (r *Rig) PowersW() (nozzleW, bedW float64) {
	r.do(func() {
		c := r.ctl
		nozzleW, bedW = c.nozzle.power(c.now), c.bed.power(c.now)
	})
	return
}
