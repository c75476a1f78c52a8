package rig

import (
	"math"
	"time"
)

// heater is one heated body under an ideal controller: full power below the
// target, none above it, and just enough to stay once it is there.
type heater struct {
	Heater
	ambient    float64
	target     float64 // 0: off
	tempC      float64 // at the moment since
	since      time.Duration
	dead       bool    // the element gives no heat whatever the controller demands
	always     bool    // the element is fully on whatever the controller demands
	stuck      bool    // the sensor shows stuckC for ever
	stuckC     float64 // see stuck
	drifts     bool    // offC keeps growing
	offC       float64 // what the sensor shows too much
	loose      bool    // unfelt keeps growing
	missing    bool    // the reports leave it out
	word       string  // the reports show this in place of its temperature; "": they do not
	ignoresOff bool    // commands that switch it off are ignored
	old        string  // the reports show this for ever; "": they do not
	oldDuty    int     // see old
	swapped    bool    // the sensor shows stuckC, the other body's temperature
	noMains    bool    // the mains are gone: no heat whatever else is wrong
	unfelt     float64 // share of what the body is above the air that the sensor does not feel
}

// end returns the temperature the body tends to at a share of the full power.
func (h *heater) end(duty float64) float64 { return h.ambient + duty*h.PowerW/h.LossWPerK }

func (h *heater) tau() float64 { return h.HeatJPerK / h.LossWPerK }

// drive returns where the temperature is heading, given the target.
func (h *heater) drive() float64 {
	if h.always && !h.noMains {
		return h.end(1)
	}
	if h.noMains || h.dead || h.target == 0 || h.sensedC(h.tempC) > h.target {
		return h.end(0)
	}
	return h.end(1)
}

// sensedC returns what the controller believes when the body is at tempC.
func (h *heater) sensedC(tempC float64) float64 {
	if h.stuck || h.swapped {
		return h.stuckC
	}
	return tempC + h.offC - h.unfelt*(tempC-h.ambient)
}

// body returns the temperature of the body at which the sensor shows shownC.
func (h *heater) body(shownC float64) float64 {
	if h.unfelt == 0 {
		return shownC - h.offC
	}
	return (shownC - h.offC - h.unfelt*h.ambient) / (1 - h.unfelt)
}

// at returns the true temperature at t, in closed form:
// T(t) = T_end + (T_0 - T_end) exp(-t/tau), held at the target once reached.
func (h *heater) at(t time.Duration) float64 {
	end := h.drive()
	now := end + (h.tempC-end)*math.Exp(-(t-h.since).Seconds()/h.tau())
	if h.target > 0 && !h.noMains && !h.dead && !h.always && !h.stuck && !h.swapped {
		hold := h.body(h.target)
		if end > h.tempC && h.tempC <= hold && now > hold ||
			end < h.tempC && h.tempC > hold && now < hold {
			return hold
		}
	}
	return now
}

// settle makes t the moment from which the next change is computed.
func (h *heater) settle(t time.Duration) { h.tempC, h.since = h.at(t), t }

// set changes the target at t.
func (h *heater) set(t time.Duration, target float64) {
	h.settle(t)
	h.target = target
}

// reading returns what the sensor shows at t.
func (h *heater) reading(t time.Duration) float64 { return h.sensedC(h.at(t)) }

// duty returns the share of full power at t, 0 to 1, that the controller demands.
func (h *heater) duty(t time.Duration) float64 {
	felt := h.reading(t)
	switch {
	case h.target == 0 || felt > h.target+1e-9:
		return 0
	case felt < h.target-1e-9:
		return 1
	default:
		return min(1, max(0, h.body(h.target)-h.ambient)*h.LossWPerK/h.PowerW)
	}
}

// power returns what the element turns into heat at t, W.
func (h *heater) power(t time.Duration) float64 {
	switch {
	case h.noMains, h.dead && !h.always:
		return 0
	case h.always:
		return h.PowerW
	}
	return h.duty(t) * h.PowerW
}

// reaches returns when the sensor will show goal from t on, or never.
func (h *heater) reaches(t time.Duration, goal float64) time.Duration {
	now := h.at(t)
	if h.stuck || h.swapped {
		if math.Abs(h.stuckC-goal) < 0.5 {
			return t
		}
		return never
	}
	goal = h.body(goal)
	if math.Abs(now-goal) < 1e-6 {
		return t
	}
	end := h.drive()
	ratio := (end - now) / (end - goal)
	if (goal-now)*(end-goal) <= 0 || ratio <= 1 {
		return never
	}
	return after(t, h.tau()*math.Log(ratio))
}
