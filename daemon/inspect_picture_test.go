package main

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"beltwarden/config"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

func beltOn(a config.Axis, forward int) *config.Settings {
	c := config.Default()
	c.Machine.BeltAxis, c.Machine.Forward = a, forward
	c.Belt.ToDropMM, c.Belt.SeamWidthMM = 250, 0
	return c
}

// The footprint is where the plastic will lie: laid at coordinate 20 while the belt
// stands at 5 it will be 15 mm behind the nozzle if a greater coordinate means a belt
// further forward, else 15 mm ahead.
func TestFootprintOnTheBelt(t *testing.T) {
	p := &job.Plan{ExtentMM: job.Extent{X: [2]float64{1, 9}, Y: [2]float64{5, 20}, Z: [2]float64{6, 8}}, PitchMM: 30}
	p.Begin.PositionMM[gcode.Y], p.Begin.PositionMM[gcode.Z] = 5, 6
	for _, c := range []struct {
		axis        config.Axis
		forward     int
		rear, front float64
		up          bool
	}{{config.AxisY, 1, -15, 0, true}, {config.AxisY, -1, 0, 15, false}, {config.AxisZ, 1, -2, 0, false}, {config.AxisZ, -1, 0, 2, true}} {
		v := beltView(p, beltOn(c.axis, c.forward))
		if v.RearMM != c.rear || v.FrontMM != c.front || v.HighXUp != c.up || v.LowXMM != 1 || v.HighXMM != 9 {
			t.Errorf("belt %s, forward %+d: %+v, want %g to %g, greater X above: %v", c.axis, c.forward, v, c.rear, c.front, c.up)
		}
	}
}

// The cycle ends one pitch further than it began, and the discharge takes its
// length by its feed.
func TestCycleEndsOnePitchOn(t *testing.T) {
	p := &job.Plan{PitchMM: 44, BeltAdvanceMM: 14, Duration: 20 * time.Minute}
	cfg := beltOn(config.AxisY, 1)
	cfg.Discharge.AdvanceFeedMMPerMin = 600
	c := cycleTrack(p, []job.TrackPoint{{At: 10 * time.Minute, MinMM: -3, MaxMM: 20}, {At: 20 * time.Minute, MinMM: 0, MaxMM: 14}}, cfg)
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
	text := picture(p, nil, beltOn(config.AxisY, 1))
	for _, want := range []string{">the job does not move the belt<", "No seam is configured", "drip peg.gcode: the belt from above"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	if strings.Contains(text, "discharge advance<") || strings.Contains(text, "a/drip") || strings.Contains(text, "NaN") {
		t.Errorf("too much in\n%s", text)
	}
}

// What exists is replaced whole and keeps its permissions; a failure leaves nothing
// behind.
func TestReplaceFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "clip.svg")
	if err := os.WriteFile(path, []byte(strings.Repeat("long ago ", 100)), 0o640); err != nil {
		t.Fatal(err)
	}
	if err := replaceFile(path, "new"); err != nil {
		t.Fatal(err)
	}
	got, _ := os.ReadFile(path)
	info, err := os.Stat(path)
	if err != nil || string(got) != "new" || info.Mode().Perm() != 0o640 {
		t.Errorf("%q, %v, %v", got, info.Mode(), err)
	}
	// The name fails only when the picture is written already and gets it.
	if err := replaceFile(filepath.Join(dir, strings.Repeat("n", 256)), "new"); !errors.Is(err, syscall.ENAMETOOLONG) {
		t.Errorf("a name of 256 bytes gives %v", err)
	}
	if list, _ := os.ReadDir(dir); len(list) != 1 {
		t.Errorf("left behind: %v", list)
	}
}
