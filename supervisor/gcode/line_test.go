package gcode

import (
	"bytes"
	"errors"
	"strconv"
	"strings"
	"testing"
)

func TestClean(t *testing.T) {
	for _, r := range [][2]string{
		{"", ""}, {"   \t", ""}, {"; only a comment", ""}, {"(only a comment)", ""}, {"N5", ""}, {"N5*12", ""},
		{"G1 X1", "G1 X1"}, {"  g1   x1\ty-.5 ", "G1 X1 Y-.5"}, {"G1X10Y20E5", "G1 X10 Y20 E5"},
		{"G1 X 10 Y\t20", "G1 X10 Y20"}, {"G1 (to the left) X-1 ; done", "G1 X-1"}, {"G1 X(here)1", "G1 X1"},
		{"N3 T0*57", "T0"}, {"N4 G92 E0*67", "G92 E0"}, {"N6 G1 F1500.0*82", "G1 F1500.0"},
		{"N7 G1 X2.0 Y2.0 F3000.0*85", "G1 X2.0 Y2.0 F3000.0"}, {"G1 X1 *85", "G1 X1"}, {"N 12 G28", "G28"},
		{"G28 X Y", "G28 X Y"}, {"g28xy", "G28 X Y"}, {"G01 X+5. Y007", "G01 X+5. Y007"},
		{"M117  Clip  (40 mm) is 50% done ; note", "M117 Clip  (40 mm) is 50% done"}, {"m117", "M117"},
		{"N8 M117 five *12", "M117 five"}, {"M117 five *12", "M117 five *12"}, {"M23 CLIP.GCO", "M23 CLIP.GCO"},
		{"M110 N7", "M110 N7"}, {" % ", ""}, {"N7 M110 N7*4", "M110 N7"}, {`M486 A"clip (1)"`, `M486 A"clip (1)"`},
		{"BED_LEVEL  area=Small ; x", "BED_LEVEL  area=Small"}, {"\tG4 P10\r", "G4 P10"},
	} {
		got := written(t, r[0], (*Line).AppendClean)
		if got != r[1] {
			t.Errorf("%q: got %q, want %q", r[0], got, r[1])
		}
		if again := written(t, got, (*Line).AppendClean); again != got {
			t.Errorf("%q: cleaned again becomes %q", got, again)
		}
	}
}

// written parses a line and has it written out.
func written(t *testing.T, line string, out func(*Line, []byte) []byte) string {
	t.Helper()
	var l Line
	if err := l.Parse([]byte(line)); err != nil {
		t.Fatalf("%q: %v", line, err)
	}
	return string(out(&l, nil))
}

func TestSyntaxErrors(t *testing.T) {
	for _, r := range []struct {
		line   string
		column int
		has    string
	}{
		{"G1 X1e5", 6, "exponent"}, {"G1 X1e-5", 6, "exponent"}, {"G1 X.", 5, "not a number"}, {"G1 X--3", 5, "not a number"},
		{"G1 XNaN", 5, "not a number"}, {"G1 Xinf", 5, "not a number"}, {"G1 X1.2.3", 8, "'.'"}, {"G1 X1-2", 6, "'-'"},
		{"G1 X\x001", 5, "not a number"}, {"G1 X1\x00", 6, "NUL"}, {"G1 X1 \xc3\xa9", 7, "0xc3"}, {"X1 Y2", 1, "begin with a G, M or T"},
		{"G X1", 1, "no number"}, {"G-1", 1, "not understood"}, {"G1.23", 1, "not understood"}, {"G1 X1 X2", 7, "twice"},
		{"G90 G21", 5, "second command"}, {"G1 X1 (open", 7, "not closed"}, {"M106 A\"open", 7, "not closed"},
		{"G1 X1 *", 7, "checksum"}, {"G1 X1 *12 Y3", 7, "checksum"}, {"%1", 1, "'%'"}, {"G1 X99999999999999999999", 5, "too large"},
		{"G1 X1000000000001", 5, "too large"}, {"G1 " + strings.Repeat("A", 40), 5, "twice"}, {"G1 F-1", 4, "negative"},
		{"M117 a\x1bb", 7, "0x1b"}, {"G1 X", 4, "no number"}, {"G92 X", 5, "no number"}, {"G1 X" + strings.Repeat("9", 5000), 5, "too large"},
	} {
		s := NewState()
		_, err := s.Apply([]byte(r.line))
		var syntax *SyntaxError
		if !errors.As(err, &syntax) {
			t.Errorf("%q: got %v, want a syntax error", r.line, err)
			continue
		}
		if syntax.Column != r.column || !strings.Contains(syntax.Problem, r.has) {
			t.Errorf("%q: got column %d, %q; want column %d, %q", r.line, syntax.Column, syntax.Problem, r.column, r.has)
		}
		if s != NewState() {
			t.Errorf("%q: changed the state", r.line)
		}
	}
}

// Numbers are read as strconv would read them.
func TestNumbers(t *testing.T) {
	for text, want := range map[string]float64{
		"0": 0, "-0": 0, "1": 1, "+1.5": 1.5, ".25": .25, "-.25": -.25, "5.": 5, "0.1": 0.1, "21.9603": 21.9603,
		"123456789.123456": 123456789.123456, "0.30000000000000004": 0.30000000000000004, "000000000000000000001.5": 1.5,
	} {
		var l Line
		if err := l.Parse([]byte("G1 X" + text)); err != nil {
			t.Fatal(err)
		}
		if got, ok := l.Get('X'); !ok || got != want {
			t.Errorf("%s: got %v", text, got)
		}
	}
}

func TestNoAllocations(t *testing.T) {
	lines := [][]byte{
		[]byte("G1 X10.14 Y34.18 E8.0273 F600 ; wall"), []byte("G2 X12 Y30 I2 J0 E8.4"), []byte("N12 G92 E0*67"),
		[]byte("M204 P1500 T2000"), []byte("M117 Clip 3"), []byte("M486 Apeg 1"), []byte("; comment"), []byte("G1 X0.1234567890123456 Y1"), []byte("BED_LEVEL x"),
	}
	s := NewState()
	s.Known = [4]bool{true, true, true, true}
	var e Effect
	dst := make([]byte, 0, 200)
	if n := testing.AllocsPerRun(200, func() {
		s.PositionMM = [4]float64{10, 30}
		for _, line := range lines {
			if line[0] == 'G' && line[1] == '2' {
				s.PositionMM = [4]float64{8, 30}
				s.PositionMM[X] = 8
			}
			var l Line
			if err := l.Parse(line); err != nil {
				t.Fatal(err)
			}
			if err := s.ApplyLine(&l, &e); err != nil {
				t.Fatal(err)
			}
			dst = l.AppendClean(dst[:0])
			dst = l.AppendWire(dst[:0], Spaced)
			dst = l.AppendWire(dst[:0], Tight)
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkApply(b *testing.B) {
	line := []byte("G1 X10.14 Y34.18 E8.0273 F600")
	s := NewState()
	b.SetBytes(int64(len(line) + 1))
	b.ReportAllocs()
	var l Line
	var e Effect
	for b.Loop() {
		if err := l.Parse(line); err != nil {
			b.Fatal(err)
		}
		if err := s.ApplyLine(&l, &e); err != nil {
			b.Fatal(err)
		}
	}
}

func FuzzApply(f *testing.F) {
	for _, line := range []string{"G1 X1 Y2 E3 F4", "G2 I1", "G92", "M204 S1", "N1 G28*4", "M117 a(b;c", "G1X1E5", "\xff", "T0", "FOO bar", "G3 X1 Y1 R-9",
		"*0", "*256", " N1 M117 a*9", "G1 X1 F-2*255", "G18", "N", "N1", "N1*", "(a", "G1 X\"a\"*1"} {
		f.Add([]byte(line))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		if len(line) > 4096 {
			return
		}
		s := NewState()
		before := s
		e, err := s.Apply(line)
		if err != nil && s != before {
			t.Fatalf("%q: an error changed the state", line)
		}
		if err != nil {
			return
		}
		var l Line
		if err := l.Parse(line); err != nil {
			t.Fatalf("%q: applied, but not parsed: %v", line, err)
		}
		if written, _, ok := l.Checksum(); ok && !bytes.Contains(line, strconv.AppendUint(nil, uint64(written), 10)) {
			t.Fatalf("%q: the checksum %d is not in it", line, written)
		}
		for a := X; a <= E; a++ {
			if v := s.PositionMM[a]; v != v || e.Travel(a) < 0 || e.Travel(a) != e.Travel(a) || e.Travel(a)+1e-6 < e.Delta(a) {
				t.Fatalf("%q: axis %s at %v, travel %v, delta %v", line, a, v, e.Travel(a), e.Delta(a))
			}
		}
	})
}
