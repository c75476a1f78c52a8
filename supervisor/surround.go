package supervisor

import "beltwarden/supervisor/job"

// Surround lists every line that a run with these settings puts around the lines of
// a job: before its lead-in, between two parts and before its lead-out. The record of
// a lot lists the same.
func Surround(s Settings, p *job.Plan) []job.Change {
	m := newMachine(s.withDefaults())
	return m.additions(p, nil)
}
