package wording

import (
	"fmt"
	"math"
	"strings"
	"time"

	"beltwarden/supervisor/job"
)

// surround lists what the run puts around a job: lines with one reason together,
// since they are sent together.
func surround(list []job.Change, st Style) []string {
	if len(list) == 0 {
		return nil
	}
	out := st.strongRow("Run adds", Count(len(list), "line"))
	where := map[job.SectionKind]string{job.LeadIn: "  lead-in", job.Body: "  each part", job.LeadOut: "  lead-out"}
	for from := 0; from < len(list); {
		to, words := from, []string{}
		for ; to < len(list) && list[to].Why == list[from].Why; to++ {
			if to-from < 2*mostListed {
				words = append(words, list[to].Text)
			}
		}
		if more := to - from - len(words); more > 0 {
			words = append(words, fmt.Sprintf("and %d more, recorded with the lot", more))
		}
		out = append(out, st.row(where[list[from].Section], list[from].Why+": "+strings.Join(words, ", "))...)
		from = to
	}
	return out
}

func measures(p *job.Plan, st Style) []string {
	e := p.ExtentMM
	size := func(v [2]float64) string { return fmt.Sprintf("%.2f to %.2f", v[0], v[1]) }
	var out []string
	for _, r := range [][2]string{
		{"One part", ""},
		{"  filament", fmt.Sprintf("%.1f mm, %.3f cm3, %.2f g", p.FilamentMM, p.FilamentCM3, p.FilamentG) + fmt.Sprintf("; pushed in all %.1f mm", p.FilamentGrossMM)},
		{"  belt", fmt.Sprintf("travel %.1f mm, advance %+.1f mm, pitch to the next part %.1f mm", p.BeltTravelMM, p.BeltAdvanceMM, p.PitchMM)},
		{"  extent", fmt.Sprintf("X %s, Y %s, Z %s mm", size(e.X), size(e.Y), size(e.Z))},
		{"  placing", placing(p)},
		{"  layers", fmt.Sprint(p.Layers)},
		{"  time", exactSpan(p.Duration) + " of motion, plus heating, cooling and discharge"},
		{"  peaks", peaks(p)},
		{"  wire", wire(p)},
	} {
		out = append(out, st.row(r[0], r[1])...)
	}
	return out
}

// placing says where parts lie on the belt, and when they fall.
func placing(p *job.Plan) string {
	l := &p.Placing
	text := fmt.Sprintf("%.1f mm along the belt, %.1f mm across, %.1f mm high; at least %.1f mm from part to part, by %s",
		l.FootprintMM[1]-l.FootprintMM[0], l.WidthMM, l.HeightMM, l.LeastPitchMM, l.PitchWhy)
	if l.BackMM > 0 {
		text += fmt.Sprintf("; the belt runs back by up to %.1f mm", l.BackMM)
	}
	if l.ToDropMM > 0 {
		during := "discharge"
		if l.DropsWhilePrinting {
			during = "printing"
		}
		text += fmt.Sprintf("; %s on the belt at most, the first falls during the %s of cycle %d", Count(l.PartsOnBelt, "finished part"), during, l.FirstDropCycle)
	} else {
		text += "; where the drop edge lies is not known"
	}
	switch s := l.Seam; {
	case s == nil:
		text += "; the seam is not judged without belt.loop_length_mm"
	case !s.Fits:
		text += fmt.Sprintf("; it does not fit between two passages of the seam of a loop of %.0f mm", s.LoopMM)
	default:
		text += fmt.Sprintf("; %s between two passages of the seam, up to %.1f mm of extra advance", Count(s.PartsPerLoop, "part"), s.LongestExtraMM)
	}
	return text
}

// peaks gives the most that the job demands of each axis. An acceleration that the job
// never sets is the board's.
func peaks(p *job.Plan) string {
	v, a := p.PeakSpeedMMPerS, p.PeakAccelMMPerS2
	list := func(x, y, z, e float64, unit string) string {
		var words []string
		for _, w := range []struct {
			axis string
			v    float64
		}{{"X", x}, {"Y", y}, {"Z", z}, {"E", e}} {
			if w.v > 0 {
				words = append(words, fmt.Sprintf("%s %.4g", w.axis, w.v))
			}
		}
		if len(words) == 0 {
			return ""
		}
		return strings.Join(words, ", ") + " " + unit
	}
	speed, accel := list(v.X, v.Y, v.Z, v.E, "mm/s"), list(a.X, a.Y, a.Z, a.E, "mm/s2")
	switch {
	case speed == "":
		return "no move sets a speed"
	case accel == "":
		return speed + "; accelerations are left to the board"
	}
	return speed + "; " + accel
}

// exactSpan writes a time in which seconds count.
func exactSpan(d time.Duration) string {
	if d >= 90*time.Second && d < 90*time.Minute {
		s := int(math.Round(d.Seconds()))
		return fmt.Sprintf("%d min %d s", s/60, s%60)
	}
	return Span(d)
}

// wire says what one part sends, and how much of its lines in the file that is.
func wire(p *job.Plan) string {
	text := bytes(p.WireBytes)
	if saved := p.SentSourceBytes - p.WireBytes; saved > 0 {
		percent := 100 * float64(saved) / float64(p.SentSourceBytes)
		places := 0
		if percent < 1 {
			places = 2
		}
		text += fmt.Sprintf(" of %s, %.*f %% less", bytes(p.SentSourceBytes), places, percent)
	}
	return text
}
