package wording

import (
	"strings"

	"beltwarden/supervisor"
)

// Answer writes what came of a request: its text, and the command lines that come next by the run as it
// is now; nil if that is not known.
func Answer(r supervisor.Result, s *supervisor.Snapshot, st Style) []string {
	out := []string{Printable(r.Text)}
	if st.Terminal {
		out = st.Note(r.Text)
	}
	if s == nil {
		return out
	}
	steps := nextSteps(s)
	if one := "next: " + strings.Join(steps, ""); len(steps) == 1 && (!st.Terminal || cells(one) <= st.width()) {
		return append(out, Printable(one))
	} else if len(steps) > 0 {
		out = append(out, "next:")
	}
	for _, step := range steps {
		out = append(out, st.command(step)...)
	}
	return out
}

// nextSteps are the commands that follow a state; while it acts, those for when it is done.
func nextSteps(s *supervisor.Snapshot) []string {
	switch s.State {
	case supervisor.Holding, supervisor.Held:
		if len(s.Steps) > 0 {
			return s.Steps
		}
		return []string{"beltwarden unhold"}
	case supervisor.Suspending:
		return []string{"beltwarden unsuspend"}
	case supervisor.Stopping, supervisor.Aborting, supervisor.Completing, supervisor.Resetting, supervisor.Clearing:
		return []string{"beltwarden status --watch"}
	case supervisor.Starting, supervisor.Execute, supervisor.Unholding, supervisor.Unsuspending:
		return []string{"beltwarden status"}
	case supervisor.Idle, supervisor.Stopped, supervisor.Aborted, supervisor.Suspended, supervisor.Complete:
	}
	_, steps := DoNow(s)
	return steps
}

// Trouble writes an error: what failed, each mistake on a line, and what helps, with its command lines
// on lines of their own. Where no terminal is, each of these is one line.
func Trouble(what string, details []string, hint string, st Style) []string {
	if !st.Terminal {
		out := []string{"error: " + Printable(what)}
		for _, d := range details {
			out = append(out, "  "+Printable(d))
		}
		for _, h := range hints(hint) {
			out = append(out, "hint: "+Printable(h))
		}
		return out
	}
	lines := st.paragraph("error: ", what, false)
	lines[0] = st.signed(SignFault, "error:") + strings.TrimPrefix(lines[0], "error:")
	for _, d := range details {
		lines = append(lines, st.paragraph("  ", d, false)...)
	}
	for _, h := range hints(hint) {
		text, commands, ok := strings.Cut(h, ": beltwarden ")
		if !ok || strings.Contains(commands, ", or ") || strings.ContainsAny(commands, ";(") {
			lines = append(lines, st.paragraph("hint: ", h, false)...)
			continue
		}
		lines = append(lines, st.paragraph("hint: ", text+":", false)...)
		for _, step := range strings.Split("beltwarden "+commands, ", then ") {
			lines = append(lines, st.command(step)...)
		}
	}
	return lines
}

// hints are the lines of a hint.
func hints(text string) []string {
	if text == "" {
		return nil
	}
	return strings.Split(text, "\n")
}
