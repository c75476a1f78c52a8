package gcode

import (
	"math"
	"testing"
)

// The rows are those of NISTIR 6556 (17 August 2000), section 3.5.3, for words,
// centre and radius; lengths and extents are closed form (circle geometry).
func TestArc(t *testing.T) {
	const pi = math.Pi
	rows := []struct {
		name         string
		start        string
		line         string
		length       float64
		minX, maxX   float64
		minY, maxY   float64
		travX, travY float64
	}{
		{"A, 3.5.3.2", "G92 X7 Y7", "G2 X10 Y16 I3 J4", 12.490457723983, 5, 10, 7, 16, 7, 9},
		{"A with Z, closed form", "G92 X7 Y7 Z7", "G2 X10 Y16 Z9 I3 J4", 12.649566559950, 5, 10, 7, 16, 7, 9},
		{"B, closed form", "G92 X0 Y0", "G2 X0 Y0 I10 J0", 62.831853071796, 0, 20, -10, 10, 40, 40},
		{"B without end words, common practice of boards", "G92 X0 Y0", "G2 I10", 20 * pi, 0, 20, -10, 10, 40, 40},
		{"C, closed form", "G92 X10 Y0", "G3 X0 Y10 I-10 J0", 15.707963267949, 0, 10, 0, 10, 10, 10},
		{"D, closed form", "G92 X10 Y0", "G2 X0 Y10 I-10 J0", 47.123889803847, -10, 10, -10, 10, 30, 30},
		{"E, closed form", "G92 X10 Y0", "G3 X0 Y10 R10", 15.707963267949, 0, 10, 0, 10, 10, 10},
		{"F, closed form", "G92 X10 Y0", "G3 X0 Y10 R-10", 47.123889803847, 0, 20, 0, 20, 30, 30},
		{"G, words of 3.5.3.1", "G92 X0 Y0 Z0", "G17 G2 X10 Y15 R20 Z5", 19.358554022840, 0, 10, 0, 15, 10, 15},
		{"H, closed form", "G92 X0 Y0", "G2 X20 Y0 R10", 31.415926535898, 0, 20, 0, 10, 20, 20},
		{"I, closed form", "G92 X0 Y0", "G2 X10 Y0 R10", 10.471975511966, 0, 10, 0, 1.339745962, 10, 2 * 1.3397459621556},
		{"J, closed form", "G92 X0 Y0", "G3 X10 Y10 I0 J10", 15.707963267949, 0, 10, 0, 10, 10, 10},
	}
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) {
			s := NewState()
			mustApply(t, &s, r.start)
			line := r.line
			if line[:4] == "G17 " { // one command a line in this dialect
				mustApply(t, &s, "G17")
				line = line[4:]
			}
			e := mustApply(t, &s, line)
			near(t, "length", e.PathMM, r.length, 1e-9)
			near(t, "min X", e.MinMM[X], r.minX, 1e-9)
			near(t, "max X", e.MaxMM[X], r.maxX, 1e-9)
			near(t, "min Y", e.MinMM[Y], r.minY, 1e-9)
			near(t, "max Y", e.MaxMM[Y], r.maxY, 1e-9)
			near(t, "travel X", e.Travel(X), r.travX, 1e-9)
			near(t, "travel Y", e.Travel(Y), r.travY, 1e-9)
			near(t, "delta Y", e.Delta(Y), s.PositionMM[Y]-startOf(r.start, t).PositionMM[Y], 1e-9)
		})
	}
}

func startOf(line string, t *testing.T) State {
	s := NewState()
	mustApply(t, &s, line)
	return s
}

// A turn from Z to X is counter-clockwise seen from +Y, and from Y to Z seen
// from +X (NISTIR 6556, 3.5.3: seen from the positive end of the normal).
func TestArcPlanes(t *testing.T) {
	for _, r := range []struct {
		lines      []string
		axis       Axis
		lo, hi, at float64 // extent of the axis; path length
	}{
		{[]string{"G18", "G92 X0 Y0 Z10", "G3 X10 Z0 I0 K-10"}, X, 0, 10, 5 * math.Pi},
		{[]string{"G18", "G92 X0 Y0 Z10", "G2 X10 Z0 I0 K-10"}, X, -10, 10, 15 * math.Pi},
		{[]string{"G19", "G92 X0 Y10 Z0", "G3 Y0 Z10 J-10 K0"}, Z, 0, 10, 5 * math.Pi},
		{[]string{"G19", "G92 X0 Y10 Z0", "G2 Y0 Z10 J-10 K0"}, Z, -10, 10, 15 * math.Pi},
		{[]string{"G20", "G92 X10 Y0", "G3 X0 Y10 I-10 J0"}, X, 0, 254, 5 * math.Pi * 25.4},
		{[]string{"G91", "G92 X10 Y0", "G3 X-10 Y10 I-10 J0"}, X, 0, 10, 5 * math.Pi},
	} {
		s := NewState()
		var e Effect
		for _, line := range r.lines {
			e = mustApply(t, &s, line)
		}
		near(t, r.lines[2]+" lowest", e.MinMM[r.axis], r.lo, 1e-9)
		near(t, r.lines[2]+" highest", e.MaxMM[r.axis], r.hi, 1e-9)
		near(t, r.lines[2]+" length", e.PathMM, r.at, 1e-9)
	}
}

func TestArcImpossible(t *testing.T) {
	for _, line := range []string{
		"G2 X10 Y0",            // neither centre nor radius
		"G2 X10 Y0 I5 R5",      // both
		"G2 R5",                // 3.5.3.1: both plane words missing
		"G2 X0 Y0 R5",          // 3.5.3.1: end equal to start
		"G2 X10 Y0 R4",         // does not reach
		"G2 X10 Y0 R0",         // no radius
		"G2 X10 Y0 I4",         // 3.5.3.2: radii 4 and 6
		"G2 X10 Y0 I5.0026 J0", // radii differ by 0.0052 mm
		"G2 I0 J0",             // no radius
		"G2 X10 Y0 I5 P2",      // several turns
		"G3 X10 Y0 I5 J0 P0",   // several turns
		"G3 I5 J0 P1.5",        // no whole turns
	} {
		s := NewState()
		before := s
		if _, err := s.Apply([]byte(line)); err == nil {
			t.Errorf("%s: accepted", line)
		}
		if s != before {
			t.Errorf("%s: changed the state", line)
		}
	}
	s := NewState()
	mustApply(t, &s, "G2 X10 Y0 I5.001 J0") // radii 0.002 mm apart: the allowance of 3.5.3.2
}

// travel along random arcs must equal a sum over fine chords.
func TestArcTravelAgainstChords(t *testing.T) {
	for k := range 400 {
		from := float64(k) * 0.37
		sweep := 0.05 + math.Mod(float64(k)*0.7131, 6.1)
		r := 0.5 + math.Mod(float64(k)*1.37, 40)
		word := 3
		if k%2 == 1 {
			word, sweep = 2, -sweep
		}
		s := NewState()
		s.PositionMM = [4]float64{r * math.Cos(from), r * math.Sin(from), 0, 0}
		s.Known = [4]bool{true, true, true, true}
		line := "G" + number(float64(word)) + " X" + number(r*math.Cos(from+sweep)) + " Y" + number(r*math.Sin(from+sweep)) +
			" I" + number(-r*math.Cos(from)) + " J" + number(-r*math.Sin(from))
		e := mustApply(t, &s, line)
		var tx, ty float64
		const steps = 20000
		for n := range steps {
			a, b := from+sweep*float64(n)/steps, from+sweep*float64(n+1)/steps
			tx += math.Abs(r * (math.Cos(b) - math.Cos(a)))
			ty += math.Abs(r * (math.Sin(b) - math.Sin(a)))
		}
		near(t, line+" X", e.Travel(X), tx, 1e-5)
		near(t, line+" Y", e.Travel(Y), ty, 1e-5)
		near(t, line+" length", e.PathMM, r*math.Abs(sweep), 1e-6)
	}
}

func mustApply(t testing.TB, s *State, line string) Effect {
	t.Helper()
	e, err := s.Apply([]byte(line))
	if err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	return e
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.12g, want %.12g", what, got, want)
	}
}

// A helix on the spot runs as many turns as P says (RS274, from memory): three circles of radius 2
// go 3*2*pi*2 mm around, and 4 radii along each axis a turn, while they climb 6 mm.
func TestArcTurnsOnTheSpot(t *testing.T) {
	s := NewState()
	e := mustApply(t, &s, "G3 Z6 I2 J0 P3")
	near(t, "length", e.PathMM, math.Hypot(3*2*math.Pi*2, 6), 1e-9)
	near(t, "travel of X", e.Travel(X), 3*4*2, 1e-9)
	near(t, "travel of Y", e.Travel(Y), 3*4*2, 1e-9)
	near(t, "height", s.PositionMM[Z], 6, 1e-12)
	near(t, "highest X", e.MaxMM[X], 4, 1e-9)
}
