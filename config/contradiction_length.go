package config

import (
	"math"
	"net"
	"net/url"
)

// checkLengths compares lengths along the belt.
func (r *reader) checkLengths() {
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
		r.conflict("a belt that drifts by "+r.withSource("belt.worst_drift_mm_per_m", plain(b.WorstDriftMMPerM)+" mm/m")+" is off by "+
			r.withSource("belt.limit_mm", length(b.LimitMM))+" after "+length(math.Round(reach))+", before a part has reached the drop edge",
			"write the drift in mm for each metre of belt, such as 0.05, or track the belt first", "belt.worst_drift_mm_per_m", "belt.limit_mm", "belt.to_drop_mm")
	}
	r.checkHeadReach()
	if n := r.written["discharge.park_x_mm"]; n != nil && !d.Park {
		r.conflict("a place to park is given, but the head is not to move aside", "write park: true, or remove park_x_mm",
			"discharge.park_x_mm", "discharge.park")
	}
	if d.PitchMM > 0 && d.PitchMM <= d.GapMM {
		r.conflict("the pitch is "+r.withSource("discharge.pitch_mm", length(d.PitchMM))+", no more than the gap of "+r.withSource("discharge.gap_mm", length(d.GapMM))+" alone",
			"write part length and gap together as the pitch, or 0", "discharge.pitch_mm", "discharge.gap_mm")
	}
}

// checkHeadReach checks that the park position and the lift are within the ranges of their axes.
func (r *reader) checkHeadReach() {
	m, d := &r.settings.Machine, &r.settings.Discharge
	span := func(e Range) string { return plain(e[0]) + " to " + plain(e[1]) + " mm" }
	if x := m.RangeMM.X; d.Park && x[0] < x[1] && (d.ParkXMM < x[0] || d.ParkXMM > x[1]) {
		r.conflict("the head parks at "+r.withSource("discharge.park_x_mm", plain(d.ParkXMM)+" mm")+", and X goes from "+r.withSource("machine.x_range_mm", span(x)),
			"write a place that it can reach", "discharge.park_x_mm", "machine.x_range_mm")
	}
	field, up := "machine.z_range_mm", m.RangeMM.Z
	if m.LiftAxis == AxisY {
		field, up = "machine.y_range_mm", m.RangeMM.Y
	}
	if up[0] < up[1] && d.LiftMM > up[1]-up[0] {
		r.conflict("the head is lifted by "+r.withSource("discharge.lift_mm", plain(d.LiftMM)+" mm")+", and "+m.LiftAxis.String()+" goes from "+r.withSource(field, span(up)),
			"lift it less, or measure how far it goes", "discharge.lift_mm", field)
	}
}

// checkServer checks that the daemon can be reached, not without a secret from other computers, and
// that no two settings name one file.
func (r *reader) checkServer() {
	s := r.settings
	open := s.Server.SecretFile == "" && s.Server.LookSecretFile == ""
	const makeSecret = "or make a secret with `beltwarden config secret FILE` and name that file"
	if s.Server.Listen != "" && !Loopback(s.Server.Listen) && open {
		r.conflict("other computers could reach "+s.Server.Listen+" and start heaters and belt without a secret",
			"write a loopback address such as 127.0.0.1:7353, "+makeSecret, "server.listen", "server.secret_file")
	}
	if u, err := url.Parse(s.Server.PublicURL); err == nil && s.Server.PublicURL != "" && open && !Loopback(net.JoinHostPort(u.Hostname(), "0")) {
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
				r.conflict("both name "+quoteShort(a.path), "give each its own path", b.field, a.field)
			}
		}
	}
}
