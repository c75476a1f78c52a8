package job

import (
	"time"

	"beltwarden/supervisor/heat"
)

// Heaters are what is known of the machine's two heaters.
type Heaters struct {
	Nozzle heat.Model `json:"nozzle"`
	Bed    heat.Model `json:"bed"`
}

// Heating is how temperatures change between parts.
type Heating struct {
	Heaters
	// ReleaseC is the bed temperature at which a part lets go; 0 waits for none.
	ReleaseC float64
	// NozzleStandbyC is the nozzle's target while the bed cools.
	NozzleStandbyC float64
}

// HeatTimes are how long a job waits for temperatures; nil: unknown. Both heaters work at once,
// fully on: a lead-in that heats one after the other, and a controller that eases into its target,
// take longer.
type HeatTimes struct {
	HeatUp *time.Duration // from ambient to what the body begins with
	Cool   *heat.Wait     // bed, from the end of the body to release
	Reheat *time.Duration // from there to what the body begins with
}

// HeatTimes computes them for these heaters. The bed's release and the nozzle's standby temperature
// are the machine's.
func (p *Plan) HeatTimes(h Heaters, releaseC, standbyC float64) HeatTimes {
	var t HeatTimes
	nozzleC, bedC := p.Begin.NozzleTargetC, p.Begin.BedTargetC
	if (nozzleC == 0 || h.Nozzle.HasAmbient) && (bedC == 0 || h.Bed.HasAmbient) {
		t.HeatUp = p.HeatUp(h, h.Nozzle.AmbientC, h.Bed.AmbientC)
	}
	if releaseC <= 0 || p.End.BedTargetC <= releaseC {
		t.Cool = &heat.Wait{Sure: true} // the part is moved off as it is, and all stays hot
		t.Reheat = longer(&h, p.End.NozzleTargetC, nozzleC, p.End.BedTargetC, bedC)
		return t
	}
	cool, ok := h.Bed.Cool(p.End.BedTargetC, releaseC)
	if !ok {
		return t
	}
	t.Cool = &cool
	nozzle := p.End.NozzleTargetC
	if nozzle > standbyC {
		cooled, ok := h.Nozzle.Cooled(nozzle, cool.Mid)
		if !ok {
			return t
		}
		nozzle = max(cooled, standbyC)
	}
	t.Reheat = longer(&h, nozzle, nozzleC, releaseC, bedC)
	return t
}

// HeatUp is how long nozzle and bed take from these temperatures to those at the beginning of the
// body; nil: unknown.
func (p *Plan) HeatUp(h Heaters, nozzleC, bedC float64) *time.Duration {
	return longer(&h, nozzleC, p.Begin.NozzleTargetC, bedC, p.Begin.BedTargetC)
}

// longer is the time for both heaters in parallel; nil if one is unknown.
func longer(h *Heaters, nozzleC, nozzleToC, bedC, bedToC float64) *time.Duration {
	nozzle, ok := h.Nozzle.HeatUp(nozzleC, nozzleToC)
	bed, known := h.Bed.HeatUp(bedC, bedToC)
	if !ok || !known {
		return nil
	}
	d := max(nozzle, bed)
	return &d
}

// seconds converts a time for the plan's JSON.
func seconds(d *time.Duration) *float64 {
	if d == nil {
		return nil
	}
	s := d.Seconds()
	return &s
}
