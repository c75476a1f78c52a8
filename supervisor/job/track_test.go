package job

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// The track of the real job spans its planned time, its belt range and its advance.
func TestTrack(t *testing.T) {
	p, err := Inspect(context.Background(), jobs+"buttons.gcode", upright, nil)
	if err != nil {
		t.Fatal(err)
	}
	points, err := p.Track(context.Background(), upright)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(points); n < trackPoints/2 || n > trackPoints {
		t.Errorf("%d points", n)
	}
	last := points[len(points)-1]
	if d := last.At - p.Duration; d < -time.Millisecond || d > time.Millisecond {
		t.Errorf("it ends at %v, the body takes %v", last.At, p.Duration)
	}
	low, high := math.Inf(1), math.Inf(-1)
	for k, q := range points {
		low, high = math.Min(low, q.MinMM), math.Max(high, q.MaxMM)
		if q.MinMM > q.MaxMM || k > 0 && q.At <= points[k-1].At {
			t.Fatalf("point %d: %+v after %+v", k, q, points[max(0, k-1)])
		}
	}
	if last.MinMM > p.BeltAdvanceMM+1e-6 || last.MaxMM < p.BeltAdvanceMM-1e-6 {
		t.Errorf("it ends between %g and %g, the advance is %g", last.MinMM, last.MaxMM, p.BeltAdvanceMM)
	}
	at := p.Begin.PositionMM[1]
	if y := p.ExtentMM.Y; low > y[0]-at+1e-6 || high < y[1]-at-1e-6 {
		t.Errorf("it spans %g to %g, the part %g to %g", low, high, y[0]-at, y[1]-at)
	}
}

// By hand: 10 mm forward at 10 mm/s, 5 mm back, with corners at rest.
func TestTrackByHand(t *testing.T) {
	path := filepath.Join(t.TempDir(), "peg.gcode")
	if err := os.WriteFile(path, []byte("G21\nG90\nM82\nG28 X Z\nG92 Y0 E0\nM104 S200\nG1 Z0.2 F300\nG1 Y10 E1 F600\nG1 Y5 E2\nM104 S0\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, forward := range []int{1, -1} {
		o := upright
		o.Forward = forward
		p, err := Inspect(context.Background(), path, o, nil)
		if err != nil {
			t.Fatal(err)
		}
		points, err := p.Track(context.Background(), o)
		if err != nil {
			t.Fatal(err)
		}
		// 1 s and 0.5 s at speed, and v/a = 0.01 s for each start and stop.
		if want := 1520 * time.Millisecond; p.Duration != want || points[len(points)-1].At != want {
			t.Errorf("forward %d: %v planned, track to %v; want %v", forward, p.Duration, points[len(points)-1].At, want)
		}
		low, high := math.Inf(1), math.Inf(-1)
		for _, q := range points {
			low, high = math.Min(low, q.MinMM), math.Max(high, q.MaxMM)
		}
		if forward > 0 && (low != 0 || high != 10) || forward < 0 && (low != -10 || high != 0) {
			t.Errorf("forward %d: %g to %g", forward, low, high)
		}
	}
}
