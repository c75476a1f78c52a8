package gcode

import (
	"bufio"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// referenceRows reads a table of reference values: fields separated by |, the last two
// of which are source and status.
func referenceRows(t *testing.T, name string, fields int) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var rows [][]string
	n := 0
	for sc := bufio.NewScanner(f); sc.Scan(); {
		n++
		if sc.Text() == "" || strings.HasPrefix(sc.Text(), "#") {
			continue
		}
		row := strings.Split(sc.Text(), "|")
		if len(row) != fields || row[fields-2] == "" || row[fields-1] == "" {
			t.Fatalf("%s:%d: %d fields, want %d with source and status", name, n, len(row), fields)
		}
		rows = append(rows, row)
	}
	return rows
}

// printed compares a value with one printed to so many digits: it may differ by half a
// unit of the last.
func printed(t *testing.T, what, want string, got float64) {
	t.Helper()
	if want == "-" {
		return
	}
	v, err := strconv.ParseFloat(want, 64)
	if err != nil {
		t.Fatal(err)
	}
	places := 0
	if _, after, ok := strings.Cut(want, "."); ok {
		places = len(after)
	}
	tolerance := 1e-9
	if places > 0 { // whole numbers are exact
		tolerance = max(0.5000001*math.Pow10(-places), tolerance)
	}
	near(t, what, got, v, tolerance)
}

func TestArcReference(t *testing.T) {
	rows := referenceRows(t, "arcs.txt", 12)
	if len(rows) < 24 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, r := range rows {
		t.Run(r[0], func(t *testing.T) {
			s := NewState()
			for _, line := range strings.Split(r[1], "/") {
				mustApply(t, &s, line)
			}
			from := s.PositionMM
			e := mustApply(t, &s, r[2])
			printed(t, "path", r[3], e.PathMM)
			for a := X; a <= Z; a++ {
				printed(t, "lowest "+a.String(), r[4+2*a], e.MinMM[a])
				printed(t, "highest "+a.String(), r[5+2*a], e.MaxMM[a])
				near(t, "delta "+a.String(), e.Delta(a), s.PositionMM[a]-from[a], 1e-9)
			}
		})
	}
}

// What the radius form cannot say is refused: a chord beyond the diameter by more than
// the allowance, an end at the start, and no end (NISTIR 6556, 3.5.3.1), in every plane
// and in inches, where the numbers of the message are millimetres.
func TestRadiusFormRefused(t *testing.T) {
	for _, c := range []struct{ before, arc, says string }{
		{"G17", "G2 X20.011 Y0 R10", "cannot follow the arc: a radius of 10.0000 mm does not reach over 20.0110 mm"},
		{"G17", "G2 X20.011 Y0 R-10", "cannot follow the arc: a radius of 10.0000 mm does not reach over 20.0110 mm"},
		{"G18", "G2 X30 Z0 R10", "cannot follow the arc: a radius of 10.0000 mm does not reach over 30.0000 mm"},
		{"G19", "G3 Y30 Z0 R10", "cannot follow the arc: a radius of 10.0000 mm does not reach over 30.0000 mm"},
		{"G20", "G2 X3 Y0 R1", "cannot follow the arc: a radius of 25.4000 mm does not reach over 76.2000 mm"},
		{"G17", "G2 X0 Y0 R10", "cannot follow the arc: with a radius R the end must differ from the start"},
		{"G17", "G2 R10", "cannot follow the arc: with a radius R the end must differ from the start"},
		{"G18", "G2 Y5 R10", "cannot follow the arc: with a radius R the end must differ from the start"},
		{"G18", "G3 X10 Z0 J5", "cannot follow the arc: it has neither a radius R nor a centre K or I"},
		{"G19", "G3 Y10 Z0 I5", "cannot follow the arc: it has neither a radius R nor a centre J or K"},
	} {
		s := NewState()
		mustApply(t, &s, "G92 X0 Y0 Z0")
		mustApply(t, &s, c.before)
		before := s
		_, err := s.Apply([]byte(c.arc))
		if err == nil || err.Error() != c.says {
			t.Errorf("%s, %s: got %v, want %s", c.before, c.arc, err, c.says)
		}
		if s != before {
			t.Errorf("%s, %s: changed the state", c.before, c.arc)
		}
	}
}

// The largest angle whose chord stays within an error of the arc is 2 acos(1 - e/r)
// (geometry, recomputed): an arc of that angle, as followed here, has its chord's middle
// that far inside, and straight moves of the next smaller whole share of a turn sum to
// 2 n r sin(pi/n).
func TestChordError(t *testing.T) {
	for _, c := range []struct {
		r, within, angle float64
		pieces           int
	}{{10, 0.01, 0.089450174, 71}, {5, 0.01, 0.126512198, 50}} {
		s := NewState()
		mustApply(t, &s, "G92 X"+number(c.r)+" Y0 Z0")
		e := mustApply(t, &s, "G3 X"+number(c.r*math.Cos(c.angle))+" Y"+number(c.r*math.Sin(c.angle))+" I"+number(-c.r)+" J0")
		near(t, "angle", e.PathMM/e.RadiusMM, c.angle, 1e-8)
		inside := c.r - math.Hypot((c.r+s.PositionMM[X])/2, s.PositionMM[Y]/2)
		near(t, "chord error", inside, c.within, 1e-9)
		if n := int(math.Ceil(2 * math.Pi / (e.PathMM / e.RadiusMM))); n != c.pieces {
			t.Errorf("%d pieces a turn, want %d", n, c.pieces)
		}
		mustApply(t, &s, "G1 X"+number(c.r)+" Y0")
		sum := 0.0
		for k := 1; k <= c.pieces; k++ {
			at := 2 * math.Pi * float64(k) / float64(c.pieces)
			e := mustApply(t, &s, "G1 X"+number(c.r*math.Cos(at))+" Y"+number(c.r*math.Sin(at)))
			sum += e.PathMM
		}
		n := float64(c.pieces)
		near(t, "sum of chords", sum, 2*n*c.r*math.Sin(math.Pi/n), 1e-6)
	}
}

// NISTIR 6556, 3.5.18 (read in a copy): a new offset is the offset as if the old were
// zero, plus the old one. The same in inches comes to 25.4 times that.
func TestG92ReferenceInInches(t *testing.T) {
	s := run(t, "G28", "G20", "G1 X4 F600", "G92 X7")
	near(t, "first offset", s.OffsetMM[X], -3*25.4, 1e-9)
	mustApply(t, &s, "G92 X9")
	near(t, "second offset", s.OffsetMM[X], -5*25.4, 1e-9)
	near(t, "machine", s.MachineMM(X), 4*25.4, 1e-9)
}
