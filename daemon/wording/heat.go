package wording

import (
	"strings"
	"time"

	"beltwarden/supervisor/job"
)

// HeatTimes writes how long a job waits for temperatures; unknown says why something
// of it is not known.
func HeatTimes(t job.HeatTimes, unknown string, st Style) []string {
	var parts []string
	missing := false
	add := func(label string, d *time.Duration) {
		switch {
		case d == nil:
			missing = true
			parts = append(parts, label+" not known yet")
		case *d == 0:
			parts = append(parts, label+" none")
		default:
			parts = append(parts, label+" "+Span(*d))
		}
	}
	add("heat-up from ambient", t.HeatUp)
	const cooling = "cooling after each part"
	switch w := t.Cool; {
	case w == nil:
		add(cooling, nil)
	case w.Sure:
		add(cooling, &w.Mid)
	default: // one degree of the room is a large share of it, or the room was not seen of late
		parts = append(parts, cooling+" "+Span(w.Low)+" to "+Span(w.High))
	}
	add("reheating for the next", t.Reheat)
	text := strings.Join(parts, ", ")
	if missing {
		text += ": " + unknown
	}
	return st.row("Heat", text)
}
