package config

import (
	"fmt"
	"math"
	"net"
	"net/url"
	"slices"
	"strconv"
	"time"

	"gopkg.in/yaml.v3"
)

// highNozzleC is the nozzle target from which a liner of PTFE or a common
// thermistor comes to harm, and fumes with it (common practice, no source).
const highNozzleC = 300

// contradictions reports settings that are possible one by one and not together.
func (r *reader) contradictions() {
	r.wire()
	r.axesAgree()
	r.heat()
	r.lengths()
	r.holds()
	r.reach()
	r.corners()
	r.costs()
	r.levels()
}

// corners refuses two rules for one thing.
func (r *reader) corners() {
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
		if n := r.set[f]; n != nil {
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

// said returns a setting with where it comes from.
func (r *reader) said(field, value string) string {
	if n := r.set[field]; n != nil {
		return fmt.Sprintf("%s (line %d)", value, n.Line)
	}
	return value + " (default)"
}

// wire compares what belongs to the port.
func (r *reader) wire() {
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
		r.conflict("the silence limit is "+r.said("machine.silence_limit_s", seconds(m.SilenceLimit))+", no longer than the reply limit of "+
			r.said("machine.reply_limit_s", seconds(m.ReplyLimit)), "let the board be asked again before it is given up",
			"machine.silence_limit_s", "machine.reply_limit_s")
	}
	if m.SilenceLimit <= m.ResetWait {
		r.conflict("the silence limit is "+r.said("machine.silence_limit_s", seconds(m.SilenceLimit))+", no longer than the reset wait of "+
			r.said("machine.reset_wait_s", seconds(m.ResetWait)), "make the silence limit longer",
			"machine.silence_limit_s", "machine.reset_wait_s")
	}
}

// axesAgree compares the roles of the axes.
func (r *reader) axesAgree() {
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

// heat compares temperatures.
func (r *reader) heat() {
	s := r.settings
	degrees := func(c float64) string { return plain(c) + " C" }
	above := func(field string, value float64, ceiling string, limit float64) {
		if value > limit {
			r.conflict("asks for "+r.said(field, degrees(value))+", above the ceiling of "+r.said(ceiling, degrees(limit)),
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
		r.conflict("parts are let go at "+r.said("discharge.release_c", degrees(s.Discharge.ReleaseC))+", no cooler than the bed of "+
			r.said("job.bed_c", degrees(s.Job.BedC)), "lower the release temperature, or write 0 to wait for none",
			"discharge.release_c", "job.bed_c")
	}
}

// lengths compares what lies along the belt, and the way of the head.
func (r *reader) lengths() {
	b, d := &r.settings.Belt, &r.settings.Discharge
	length := func(v float64) string { return plain(v) + " mm" }
	if b.SeamWidthMM > 0 && b.LoopLengthMM == 0 {
		r.conflict("a seam of "+length(b.SeamWidthMM)+" is given without the length of the loop, so that nobody can tell where it is",
			"measure the loop, or write 0 for the seam", "belt.seam_width_mm", "belt.loop_length_mm")
	}
	if b.LoopLengthMM > 0 && 2*b.SeamWidthMM > b.LoopLengthMM {
		r.conflict("the seam takes "+length(b.SeamWidthMM)+" of a loop of "+length(b.LoopLengthMM), "measure both again",
			"belt.seam_width_mm", "belt.loop_length_mm")
	}
	if b.LoopLengthMM > 0 && 2*b.ToDropMM > b.LoopLengthMM {
		r.conflict("the drop edge is "+length(b.ToDropMM)+" from the nozzle, more than half of the loop of "+length(b.LoopLengthMM),
			"measure both again: a loop is twice as long as its upper run, and a little more", "belt.to_drop_mm", "belt.loop_length_mm")
	}
	if b.LoopLengthMM > 0 && d.PitchMM >= b.LoopLengthMM {
		r.conflict("the pitch of "+length(d.PitchMM)+" goes once round a loop of "+length(b.LoopLengthMM)+", onto the part before",
			"measure both again", "discharge.pitch_mm", "belt.loop_length_mm")
	}
	if reach := 1000 * b.LimitMM / b.WorstDriftMMPerM; b.ToDropMM > 0 && reach < b.ToDropMM {
		r.conflict("a belt that drifts by "+r.said("belt.worst_drift_mm_per_m", plain(b.WorstDriftMMPerM)+" mm/m")+" is off by "+
			r.said("belt.limit_mm", length(b.LimitMM))+" after "+length(math.Round(reach))+", before a part has reached the drop edge",
			"write the drift in mm for each metre of belt, such as 0.05, or track the belt first", "belt.worst_drift_mm_per_m", "belt.limit_mm", "belt.to_drop_mm")
	}
	r.headReach()
	if n := r.set["discharge.park_x_mm"]; n != nil && !d.Park {
		r.conflict("a place to park is given, but the head is not to move aside", "write park: true, or remove park_x_mm",
			"discharge.park_x_mm", "discharge.park")
	}
	if d.PitchMM > 0 && d.PitchMM <= d.GapMM {
		r.conflict("the pitch is "+r.said("discharge.pitch_mm", length(d.PitchMM))+", no more than the gap of "+r.said("discharge.gap_mm", length(d.GapMM))+" alone",
			"write part length and gap together as the pitch, or 0", "discharge.pitch_mm", "discharge.gap_mm")
	}
}

// headReach holds what the head does between parts to where it can go.
func (r *reader) headReach() {
	m, d := &r.settings.Machine, &r.settings.Discharge
	span := func(e Range) string { return plain(e[0]) + " to " + plain(e[1]) + " mm" }
	if x := m.RangeMM.X; d.Park && x[0] < x[1] && (d.ParkXMM < x[0] || d.ParkXMM > x[1]) {
		r.conflict("the head parks at "+r.said("discharge.park_x_mm", plain(d.ParkXMM)+" mm")+", and X goes from "+r.said("machine.x_range_mm", span(x)),
			"write a place that it can reach", "discharge.park_x_mm", "machine.x_range_mm")
	}
	field, up := "machine.z_range_mm", m.RangeMM.Z
	if m.LiftAxis == AxisY {
		field, up = "machine.y_range_mm", m.RangeMM.Y
	}
	if up[0] < up[1] && d.LiftMM > up[1]-up[0] {
		r.conflict("the head is lifted by "+r.said("discharge.lift_mm", plain(d.LiftMM)+" mm")+", and "+m.LiftAxis.String()+" goes from "+r.said(field, span(up)),
			"lift it less, or measure how far it goes", "discharge.lift_mm", field)
	}
}

// holds checks that somebody comes to look.
func (r *reader) holds() {
	h := &r.settings.Hold
	none := h.EveryParts == 0 && h.EveryTravelMM == 0 && h.Every == 0
	limits := []string{"hold.every_parts", "hold.every_travel_mm", "hold.every_hours", "hold.none_acknowledged"}
	if none && !h.NoneAcknowledged {
		r.conflict("no limit is left that would call anybody to the machine", "set one of them, or hold.none_acknowledged: true", limits...)
	}
	if !none && h.NoneAcknowledged {
		r.conflict("no hold is acknowledged, but limits of "+r.said("hold.every_parts", strconv.Itoa(h.EveryParts)+" parts")+", "+
			r.said("hold.every_travel_mm", plain(h.EveryTravelMM)+" mm")+" and "+r.said("hold.every_hours", plain(h.Every.Hours())+" h")+" are set",
			"write 0 for all three, or none_acknowledged: false", limits...)
	}
	if idle := r.settings.Heat.BoardIdleLimit; idle > 0 {
		for _, still := range []struct {
			field string
			limit time.Duration
		}{{"hold.reheat_limit_min", h.ReheatLimit}, {"hold.heaters_off_after_min", h.HeatersOffAfter}, {"discharge.release_limit_min", r.settings.Discharge.ReleaseLimit}} {
			if idle <= still.limit {
				r.conflict("the board is to halt after "+r.said("heat.board_idle_limit_min", plain(idle.Minutes())+" min")+" without a move, and the machine may stand still for "+
					r.said(still.field, plain(still.limit.Minutes())+" min")+" with a heater on", "write a longer board_idle_limit_min, or 0", "heat.board_idle_limit_min", still.field)
			}
		}
	}
	a := &r.settings.Alerts
	if n := r.settings.Fault.GoOnPerDay; n > 0 && len(a.Webhooks)+len(a.Mails)+len(a.Services)+len(a.Alertmanagers) == 0 {
		r.conflict("heaters and belt may go on by themselves after a fault, up to "+r.said("fault.go_on_per_day", strconv.Itoa(n)+" times a day")+", and nobody is told beforehand",
			"name a receiver of alerts under alerts, or write go_on_per_day: 0", "fault.go_on_per_day")
	}
	if a.RetryFirst > a.RetryLimit {
		r.conflict("the first wait of "+r.said("alerts.retry_first_s", plain(a.RetryFirst.Seconds())+" s")+" is longer than the longest, "+
			r.said("alerts.retry_limit_min", plain(a.RetryLimit.Seconds())+" s"), "make the first wait shorter", "alerts.retry_first_s", "alerts.retry_limit_min")
	}
}

// reach compares how the daemon can be reached, and its files.
func (r *reader) reach() {
	s := r.settings
	open := s.Server.SecretFile == "" && s.Server.LookSecretFile == ""
	const makeSecret = "or make a secret with `beltwarden config secret FILE` and name that file"
	if s.Server.Listen != "" && !loopback(s.Server.Listen) && open {
		r.conflict("other computers could reach "+s.Server.Listen+" and start heaters and belt without a secret",
			"write a loopback address such as 127.0.0.1:7353, "+makeSecret, "server.listen", "server.secret_file")
	}
	if u, err := url.Parse(s.Server.PublicURL); err == nil && s.Server.PublicURL != "" && open && !loopback(net.JoinHostPort(u.Hostname(), "0")) {
		r.conflict("other computers could reach "+u.Host+" and start heaters and belt without a secret",
			"leave public_url out, "+makeSecret, "server.public_url", "server.secret_file")
	}
	if (s.Server.TLSCertFile == "") != (s.Server.TLSKeyFile == "") {
		r.conflict("a certificate and its key belong together", "name both, or neither", "server.tls_cert_file", "server.tls_key_file")
	}
	if s.Server.Listen == "" && s.Server.Socket == "" {
		r.conflict("both are empty, so that no command could reach the daemon", "set one of them", "server.socket", "server.listen")
	}
	paths := []struct{ field, path string }{
		{"ledger.path", s.Ledger.Path}, {"server.socket", s.Server.Socket}, {"server.secret_file", s.Server.SecretFile}, {"machine.port", s.Machine.Port},
		{"server.jobs_folder", s.Server.JobsFolder}, {"server.look_secret_file", s.Server.LookSecretFile},
		{"ledger.backup_folder", s.Ledger.BackupFolder},
		{"server.tls_key_file", s.Server.TLSKeyFile},
	}
	for i, a := range paths {
		for _, b := range paths[:i] {
			if a.path == b.path && a.path != "" {
				r.conflict("both name "+shorten(a.path), "give each its own path", b.field, a.field)
			}
		}
	}
}
