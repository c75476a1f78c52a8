package wording

import (
	"strings"
	"testing"

	"beltwarden/supervisor"
)

// TestStatusTellsOfATrial while the belt runs, and of the scale by which it is measured.
func TestStatusTellsOfATrial(t *testing.T) {
	s := running()
	s.Trial = &supervisor.TrialView{ID: 1, RunMM: 5000, DoneMM: 1200, BeforeMM: -0.5}
	mm := 12000.0
	s.Belt.CalibratedMM = &mm
	for _, want := range []string{"trial 1.200 m of 5.000 m are run", "travel 12.345 m in all as commanded, 12.000 m by the scale set last"} {
		if flat := strings.Join(strings.Fields(strings.Join(FullStatus(s, Style{Width: 80}), " ")), " "); !strings.Contains(flat, want) {
			t.Errorf("%q is missing in: %s", want, flat)
		}
	}
	s.Trial.Ran, s.Trial.DoneMM = true, 5000
	want := "5.000 m are run; the offset before was -0.5 mm, the one after is to be read"
	if flat := strings.Join(strings.Fields(strings.Join(FullStatus(s, Style{Width: 80}), " ")), " "); !strings.Contains(flat, want) {
		t.Errorf("%q is missing in: %s", want, flat)
	}
}
