package wording

import "beltwarden/supervisor"

// ByItself says when the machine resumes by itself, or why it does not; "" where the owner
// has not chosen that it may.
func ByItself(r *supervisor.RecoveryView) string {
	switch {
	case r.ResumesAt != nil:
		return "Keep hands off: it resumes at " + r.ResumesAt.Local().Format("15:04:05") + " unless somebody sends a command or acknowledges the alert"
	case r.ResumeBlockedBy != "":
		return "It waits for you: " + r.ResumeBlockedBy
	}
	return ""
}

// recoveryRows show after a fault what is certain, what is not, and the ways on, each with
// its commands.
func recoveryRows(r *supervisor.RecoveryView, st Style) (out []string) {
	list := func(name string, texts []string) {
		for _, text := range texts {
			out = append(out, st.row(name, Sentence(text)+".")...)
			name = ""
		}
	}
	out = append(out, "")
	list("Certain", r.Certain)
	list("Not certain", r.Uncertain)
	if text := ByItself(r); text != "" {
		if r.ResumesAt != nil {
			text += ": beltwarden alert acknowledge"
		}
		out = append(out, st.row("By itself", text+".")...)
	}
	for i, o := range r.Options {
		name := ""
		if i == 0 {
			name = "You can"
			out = append(out, "")
		}
		end := ":"
		if len(o.Steps) == 0 {
			end = "."
		}
		out = append(out, st.row(name, Sentence(o.Text)+end)...)
		for _, step := range o.Steps {
			out = append(out, st.row("", "  "+step)...)
		}
	}
	return out
}
