package config

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"gopkg.in/yaml.v3"
)

// highNozzleC is the nozzle target from which a liner of PTFE or a common
// thermistor comes to harm, and fumes with it (common practice, no source).
const highNozzleC = 300

// checkContradictions reports settings that are valid one by one and not together.
func (r *reader) checkContradictions() {
	r.checkWire()
	r.checkAxes()
	r.checkHeat()
	r.checkLengths()
	r.checkHolds()
	r.checkServer()
	r.checkCorners()
	r.checkCosts()
	r.checkLevels()
}

// checkCorners refuses a junction deviation beside corner speeds: a board goes by one or the other.
func (r *reader) checkCorners() {
	m := &r.settings.Motion
	if m.JunctionDeviationMM == 0 {
		return
	}
	for i, v := range []float64{m.CornerSpeedMMPerS.X, m.CornerSpeedMMPerS.Y, m.CornerSpeedMMPerS.Z, m.CornerSpeedMMPerS.E} {
		if v > 0 {
			r.conflict("corners go by a deviation or by steps of speed, not by both", "write what the board is set to, and 0 for the other",
				"motion.junction_deviation_mm", "motion.corner_speed_"+"xyze"[i:i+1]+"_mm_per_s")
			return
		}
	}
}

// conflict reports a contradiction between keys, at the first of them that is
// written in the file, unless one of them is wrong by itself.
func (r *reader) conflict(problem, remedy string, fields ...string) {
	where := &yaml.Node{Line: 1, Column: 1}
	for _, f := range slices.Backward(fields) {
		if r.bad[f] {
			return
		}
		if n := r.written[f]; n != nil {
			where = n
		}
	}
	e := &Error{Line: where.Line, Column: where.Column, Field: fields[0], Problem: problem, Remedy: remedy}
	for i, f := range fields[1:] {
		word := ", "
		if i == len(fields)-2 {
			word = " and "
		}
		e.Field += word + f
	}
	r.report(e)
}

// withSource returns a value with the line that it comes from.
func (r *reader) withSource(field, value string) string {
	if n := r.written[field]; n != nil {
		return fmt.Sprintf("%s (line %d)", value, n.Line)
	}
	return value + " (default)"
}

// checkWire compares window, baud rate and time limits of the port.
func (r *reader) checkWire() {
	m := &r.settings.Machine
	seconds := func(d time.Duration) string { return plain(d.Seconds()) + " s" }
	// 8N1 puts ten bits on the wire for each byte.
	full := time.Duration(m.WindowBytes) * 10 * time.Second / time.Duration(max(m.BaudRate, 1))
	if full >= m.ReplyLimit {
		r.conflict(fmt.Sprintf("a window of %d bytes takes %s to send at %d bit/s, no less than the reply limit of %s",
			m.WindowBytes, seconds(full), m.BaudRate, seconds(m.ReplyLimit)),
			"make the window smaller", "machine.window_bytes", "machine.baud", "machine.reply_limit_s")
	}
	if m.SilenceLimit <= m.ReplyLimit {
		r.conflict("the silence limit is "+r.withSource("machine.silence_limit_s", seconds(m.SilenceLimit))+", no longer than the reply limit of "+
			r.withSource("machine.reply_limit_s", seconds(m.ReplyLimit)), "let the board be asked again before it is given up",
			"machine.silence_limit_s", "machine.reply_limit_s")
	}
	if m.SilenceLimit <= m.ResetWait {
		r.conflict("the silence limit is "+r.withSource("machine.silence_limit_s", seconds(m.SilenceLimit))+", no longer than the reset wait of "+
			r.withSource("machine.reset_wait_s", seconds(m.ResetWait)), "make the silence limit longer",
			"machine.silence_limit_s", "machine.reset_wait_s")
	}
}

// checkAxes compares the roles of the axes.
func (r *reader) checkAxes() {
	m := &r.settings.Machine
	if m.BeltAxis != 0 && slices.Contains(m.HomedAxes, m.BeltAxis) {
		r.conflict("the belt axis "+m.BeltAxis.String()+" is among the homed axes, but a belt has no end stop and would run on",
			"take it out of homed_axes", "machine.homed_axes", "machine.belt_axis")
	}
	if m.BeltAxis != 0 && m.LiftAxis == m.BeltAxis {
		r.conflict("axis "+m.BeltAxis.String()+" is both belt and lift", "a belt on Y lifts in Z, a belt on Z lifts in Y",
			"machine.lift_axis", "machine.belt_axis")
	}
}

// checkHeat compares temperatures.
func (r *reader) checkHeat() {
	s := r.settings
	degrees := func(c float64) string { return plain(c) + " C" }
	above := func(field string, value float64, ceiling string, limit float64) {
		if value > limit {
			r.conflict("asks for "+r.withSource(field, degrees(value))+", above the ceiling of "+r.withSource(ceiling, degrees(limit)),
				"lower it, or raise the ceiling if the machine is built for that", field, ceiling)
		}
	}
	if s.Machine.NozzleCeilingC > highNozzleC && !s.Machine.CeilingAcknowledged {
		r.conflict("is "+degrees(s.Machine.NozzleCeilingC)+", above "+degrees(highNozzleC)+", where many hot ends burn their liner and give off poisonous fumes",
			"lower it, or set machine.ceiling_acknowledged: true for an all-metal hot end", "machine.nozzle_ceiling_c", "machine.ceiling_acknowledged")
	}
	above("discharge.nozzle_standby_c", s.Discharge.NozzleStandbyC, "machine.nozzle_ceiling_c", s.Machine.NozzleCeilingC)
	above("discharge.release_c", s.Discharge.ReleaseC, "machine.bed_ceiling_c", s.Machine.BedCeilingC)
	above("job.bed_c", s.Job.BedC, "machine.bed_ceiling_c", s.Machine.BedCeilingC)
	if s.Job.BedC > 0 && s.Discharge.ReleaseC >= s.Job.BedC {
		r.conflict("parts are let go at "+r.withSource("discharge.release_c", degrees(s.Discharge.ReleaseC))+", no cooler than the bed of "+
			r.withSource("job.bed_c", degrees(s.Job.BedC)), "lower the release temperature, or write 0 to wait for none",
			"discharge.release_c", "job.bed_c")
	}
}

// checkHolds checks that some limit calls a person, and that limits on waiting agree.
func (r *reader) checkHolds() {
	h := &r.settings.Hold
	none := h.EveryParts == 0 && h.EveryTravelMM == 0 && h.Every == 0
	limits := []string{"hold.every_parts", "hold.every_travel_mm", "hold.every_hours", "hold.none_acknowledged"}
	if none && !h.NoneAcknowledged {
		r.conflict("no limit is left that would call anybody to the machine", "set one of them, or hold.none_acknowledged: true", limits...)
	}
	if !none && h.NoneAcknowledged {
		r.conflict("no hold is acknowledged, but limits of "+r.withSource("hold.every_parts", strconv.Itoa(h.EveryParts)+" parts")+", "+
			r.withSource("hold.every_travel_mm", plain(h.EveryTravelMM)+" mm")+" and "+r.withSource("hold.every_hours", plain(h.Every.Hours())+" h")+" are set",
			"write 0 for all three, or none_acknowledged: false", limits...)
	}
	if idle := r.settings.Heat.BoardIdleLimit; idle > 0 {
		for _, still := range []struct {
			field string
			limit time.Duration
		}{{"hold.reheat_limit_min", h.ReheatLimit}, {"hold.heaters_off_after_min", h.HeatersOffAfter}, {"discharge.release_limit_min", r.settings.Discharge.ReleaseLimit}} {
			if idle <= still.limit {
				r.conflict("the board is to halt after "+r.withSource("heat.board_idle_limit_min", plain(idle.Minutes())+" min")+" without a move, and the machine may stand still for "+
					r.withSource(still.field, plain(still.limit.Minutes())+" min")+" with a heater on", "write a longer board_idle_limit_min, or 0", "heat.board_idle_limit_min", still.field)
			}
		}
	}
	a := &r.settings.Alerts
	if n := r.settings.Fault.GoOnPerDay; n > 0 && len(a.Webhooks)+len(a.Mails)+len(a.Services)+len(a.Alertmanagers) == 0 {
		r.conflict("the machine may resume by itself after a fault, with heaters and belt, up to "+r.withSource("fault.go_on_per_day", strconv.Itoa(n)+" times a day")+", and nobody is called beforehand",
			"name a receiver of alerts under alerts, or write go_on_per_day: 0", "fault.go_on_per_day")
	}
	if a.RetryFirst > a.RetryLimit {
		r.conflict("the first wait of "+r.withSource("alerts.retry_first_s", plain(a.RetryFirst.Seconds())+" s")+" is longer than the longest, "+
			r.withSource("alerts.retry_limit_min", plain(a.RetryLimit.Seconds())+" s"), "make the first wait shorter", "alerts.retry_first_s", "alerts.retry_limit_min")
	}
}
