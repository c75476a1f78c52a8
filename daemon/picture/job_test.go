package picture

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// written inspects a job of two lines of plastic, Y 5 to 20 at X 1 to 9, from Y 5.
func written(t *testing.T, axis gcode.Axis, forward int) (*job.Plan, job.Options) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "two.gcode")
	text := "M104 S200\nG92 X0 Y0 Z0 E0\nG90\nM83\nG0 X1 Y5 Z6 F3000\nG1 X9 E1 F1200\nG1 Y20 Z8 E1\nM104 S0\nM84\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	o := job.Options{BeltAxis: axis, Forward: forward, GapMM: 10, ToDropMM: 250}
	p, err := job.Inspect(t.Context(), path, o, nil)
	if err != nil {
		t.Fatal(err)
	}
	return p, o
}

// The footprint is where the plastic will lie: laid at coordinate 20 while the belt
// stands at 5 it will be 15 mm behind the nozzle if a greater coordinate means a belt
// further forward, else 15 mm ahead.
func TestFootprintOnTheBelt(t *testing.T) {
	for _, c := range []struct {
		axis        gcode.Axis
		forward     int
		rear, front float64
		up          bool
	}{{gcode.Y, 1, -15, 0, true}, {gcode.Y, -1, 0, 15, false}, {gcode.Z, 1, -2, 0, false}, {gcode.Z, -1, 0, 2, true}} {
		v := beltView(written(t, c.axis, c.forward))
		if v.RearMM != c.rear || v.FrontMM != c.front || v.HighXUp != c.up || v.LowXMM != 1 || v.HighXMM != 9 || v.ToDropMM != 250 {
			t.Errorf("belt %v, forward %+d: %+v, want %g to %g, greater X above: %v", c.axis, c.forward, v, c.rear, c.front, c.up)
		}
	}
}

// Head and seam of the machine are drawn, and named in the text alternative.
func TestPictureShowsHeadAndSeam(t *testing.T) {
	p, o := written(t, gcode.Y, 1)
	o.Head, o.SeamMM = []job.HeadStep{{AboveMM: 8, FrontMM: 30, BehindMM: 45}}, 12
	text := Job(p, nil, Paths{}, o, 1200, WidthPX).Standalone()
	for _, want := range []string{"Above 8.0 mm over the nozzle&#39;s tip the head reaches 30.0 mm in front", ">head above 8.0 mm", "seam, 12.0 mm wide", ">seam, 12.0 mm"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
}

// The cycle ends one pitch further than it began, and the discharge takes its
// length by its feed.
func TestCycleEndsOnePitchOn(t *testing.T) {
	p := &job.Plan{PitchMM: 44, BeltAdvanceMM: 14, Duration: 20 * time.Minute}
	c := cycleTrack(p, []job.TrackPoint{{At: 10 * time.Minute, MinMM: -3, MaxMM: 20}, {At: 20 * time.Minute, MinMM: 0, MaxMM: 14}}, 600)
	if c.advanceMM != 30 || c.advance != 3*time.Second || c.lowMM != -3 || c.highMM != 44 {
		t.Errorf("%+v", c)
	}
	last := c.plot.Series[1].Samples[1]
	if last.Max != 44 || math.Abs(last.X-20.05) > 1e-9 || c.plot.XTitle != "time, min" {
		t.Errorf("it ends at %+v, %s", last, c.plot.XTitle)
	}
	if first := c.plot.Series[0].Samples[0]; first.X != 0 || first.Min != -3 {
		t.Errorf("it begins at %+v", first)
	}
}

// Without a track, a seam or an advance the picture says so instead of drawing one.
func TestPictureWithoutMovement(t *testing.T) {
	p := &job.Plan{Path: "a/drip peg.gcode", PitchMM: 20, BeltAdvanceMM: 25}
	text := Job(p, nil, Paths{}, job.Options{BeltAxis: gcode.Y, Forward: 1, ToDropMM: 250}, 1200, WidthPX).Standalone()
	for _, want := range []string{">the job does not move the belt<", "No seam is configured", "drip peg.gcode: the belt from above"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	if strings.Contains(text, "discharge advance<") || strings.Contains(text, "a/drip") || strings.Contains(text, "NaN") {
		t.Errorf("too much in\n%s", text)
	}
}
