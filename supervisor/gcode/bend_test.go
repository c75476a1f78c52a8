package gcode

import (
	"math"
	"testing"
)

// Directions at the ends of arcs, in closed form: at right angles to the radius.
func TestBend(t *testing.T) {
	s := math.Sqrt(0.5)
	for _, c := range []struct {
		name, line  string
		from        [3]float64
		radius      float64
		entry, exit [3]float64
	}{
		{"quarter, counter-clockwise", "G3 X0 Y10 I-10 J0", [3]float64{10, 0, 0}, 10, [3]float64{0, 1, 0}, [3]float64{-1, 0, 0}},
		{"three quarters, clockwise", "G2 X0 Y10 I-10 J0", [3]float64{10, 0, 0}, 10, [3]float64{0, -1, 0}, [3]float64{1, 0, 0}},
		{"full circle", "G2 X0 Y0 I10 J0", [3]float64{}, 10, [3]float64{0, 1, 0}, [3]float64{0, 1, 0}},
		{"half by radius", "G3 X-5 Y0 R5", [3]float64{5, 0, 0}, 5, [3]float64{0, 1, 0}, [3]float64{0, -1, 0}},
		// A helix that rises as much as it turns: half a turn of radius 10 is 10 pi mm.
		{"helix", "G3 X-10 Y0 Z31.415926536 I-10 J0", [3]float64{10, 0, 0}, 10, [3]float64{0, s, s}, [3]float64{0, -s, s}},
	} {
		st := NewState()
		copy(st.PositionMM[:], c.from[:])
		e, err := st.Apply([]byte(c.line))
		if err != nil {
			t.Fatal(err)
		}
		far := func(a, b [3]float64) float64 {
			return math.Abs(a[0]-b[0]) + math.Abs(a[1]-b[1]) + math.Abs(a[2]-b[2])
		}
		if math.Abs(e.RadiusMM-c.radius) > 1e-9 || far(e.Entry, c.entry) > 1e-7 || far(e.Exit, c.exit) > 1e-7 {
			t.Errorf("%s: radius %g, entry %v, exit %v", c.name, e.RadiusMM, e.Entry, e.Exit)
		}
	}
	st := NewState()
	if e, err := st.Apply([]byte("G1 X5 F600")); err != nil || e.RadiusMM != 0 {
		t.Errorf("a straight move has a radius of %g, %v", e.RadiusMM, err)
	}
}
