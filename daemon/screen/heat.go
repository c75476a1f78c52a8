package screen

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
	for _, w := range []struct {
		label string
		d     *time.Duration
	}{{"heat-up from ambient", t.HeatUp}, {"cooling after each part", t.Cool}, {"reheating for the next", t.Reheat}} {
		switch {
		case w.d == nil:
			missing = true
			parts = append(parts, w.label+" not known yet")
		case *w.d == 0:
			parts = append(parts, w.label+" none")
		default:
			parts = append(parts, w.label+" "+Span(*w.d))
		}
	}
	text := strings.Join(parts, ", ")
	if missing {
		text += ": " + unknown
	}
	return st.row("Heat", text)
}
