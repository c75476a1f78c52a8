package wording

import (
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// What a run puts around a job is listed with its reason and in order, and a long
// list is cut with its number.
func TestPlanTellsWhatTheRunAdds(t *testing.T) {
	around := []job.Change{{Section: job.LeadIn, Text: "G21", Why: "known modes"}, {Section: job.LeadIn, Text: "G90", Why: "known modes"},
		{Section: job.Body, Text: "G1 Z34 F600", Why: "discharge"}}
	for range 30 {
		around = append(around, job.Change{Section: job.LeadOut, Text: "G92 Y0", Why: "as it ended"})
	}
	text := strings.Join(Plan(&job.Plan{}, Setting{Around: around}, Style{Width: 80}), "\n")
	for _, want := range []string{"Run adds     33 lines", "  lead-in    known modes: G21, G90\n", "  each part  discharge: G1 Z34 F600\n", "and 6 more, recorded with the"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	if strings.Contains(strings.Join(Plan(&job.Plan{}, Setting{}, Style{Width: 80}), "\n"), "Run adds") {
		t.Error("nothing is added, and a heading stands there all the same")
	}
}

func TestPlanFigures(t *testing.T) {
	p := &job.Plan{Duration: 19*time.Minute + 7600*time.Millisecond, PeakSpeedMMPerS: job.Peak{X: 150, Y: 80.25}, PeakAccelMMPerS2: job.Peak{X: 2000}}
	text := strings.Join(Plan(p, Setting{}, Style{Width: 80}), "\n")
	for _, want := range []string{"19 min 8 s of motion", "X 150, Y 80.25 mm/s; X 2000 mm/s2"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	p.PeakAccelMMPerS2 = job.Peak{}
	if text := strings.Join(Plan(p, Setting{}, Style{Width: 80}), " "); !strings.Contains(text, "accelerations are left to the board") {
		t.Error("no word on accelerations")
	}
}
