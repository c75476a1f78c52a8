package screen

import "beltwarden/supervisor"

// recoveryRows tell after a fault what is certain, what is not, and the ways on, each with
// its commands.
func recoveryRows(r *supervisor.RecoveryView, st Style) (out []string) {
	list := func(name string, texts []string) {
		for _, text := range texts {
			out = append(out, st.row(name, sentence(text)+".")...)
			name = ""
		}
	}
	out = append(out, "")
	list("Certain", r.Certain)
	list("Not certain", r.Uncertain)
	for i, o := range r.Options {
		name := ""
		if i == 0 {
			name = "You can"
			out = append(out, "")
		}
		out = append(out, st.row(name, sentence(o.Text)+":")...)
		for _, step := range o.Steps {
			out = append(out, st.row("", "  "+step)...)
		}
	}
	return out
}
