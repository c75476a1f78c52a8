package picture

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// The three sections are drawn in three kinds of line, where they lie on the belt as the part begins:
// a purge at coordinate 2 lies 3 mm ahead of a part that begins at 5, if greater coordinates mean a belt further forward.
func TestPathsOfSections(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clip.gcode")
	text := "M104 S200\nG28 X Z\nG92 Y0 E0\nG90\nM83\nG0 X1 Y2 Z0.2 F3000\nG1 X41 E9 F1200\nG92 E0\n;LAYER:0\nG0 X1 Y5\nG1 X9 E1\nG1 Y20 Z0.4 E1\nG1 X1 E1\nG0 Z9\nG0 X200 Y90\nM104 S0\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, forward := range []int{1, -1} {
		o := job.Options{BeltAxis: gcode.Y, Forward: forward, GapMM: 10, ToDropMM: 250, HomedAxes: []gcode.Axis{gcode.X, gcode.Z}}
		p, err := job.Inspect(t.Context(), path, o, nil)
		if err != nil {
			t.Fatal(err)
		}
		all, err := PathsOf(t.Context(), p, o)
		if err != nil {
			t.Fatal(err)
		}
		f := float64(forward)
		if want := []job.Stroke{{FromXMM: 1, FromAlongMM: -3 * f, ToXMM: 41, ToAlongMM: -3 * f}}; !slices.Equal(all.LeadIn, want) {
			t.Errorf("lead-in %+v, want %+v", all.LeadIn, want)
		}
		if want := []job.Stroke{{FromXMM: 1, ToXMM: 9}, {FromXMM: 9, ToXMM: 9, ToAlongMM: 15 * f}, {FromXMM: 9, FromAlongMM: 15 * f, ToXMM: 1, ToAlongMM: 15 * f}}; !slices.Equal(all.Body, want) {
			t.Errorf("part %+v, want %+v", all.Body, want)
		}
		if want := []job.Stroke{{FromXMM: 1, FromAlongMM: 15 * f, ToXMM: 200, ToAlongMM: 15 * f}}; !slices.Equal(all.LeadOut, want) {
			t.Errorf("lead-out %+v, want %+v", all.LeadOut, want)
		}
		picture := Job(p, nil, all, o, 1200, WidthPX).Standalone()
		for _, want := range []string{"lead-in, extruded once: lines 1 to 10", "the part, made again and again: lines 11 to 14", "where the head goes after the last part: lines 15 to 16",
			`class="chart-second" d="M`, `class="chart-first" d="M`, `class="chart-third chart-dots" d="M`} {
			if !strings.Contains(picture, want) {
				t.Errorf("%q is missing in\n%s", want, picture)
			}
		}
	}
}
