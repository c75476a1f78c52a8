package gcode

import (
	"bufio"
	"os"
	"path/filepath"
	"testing"
)

func spaced(l *Line, dst []byte) []byte { return l.AppendWire(dst, Spaced) }
func tight(l *Line, dst []byte) []byte  { return l.AppendWire(dst, Tight) }

func TestWireForms(t *testing.T) {
	for _, r := range []struct{ line, spaced, tight string }{
		{"", "", ""}, {"; a comment", "", ""}, {"N5*12", "", ""}, {" % ", "", ""},
		{"G1 X10.500 Y-0.20 E0.00 F6000.0 ; wall", "G1 X10.5 Y-.2 E0 F6000", "G1X10.5Y-.2 E0 F6000"},
		{"g01 x+1.50 (here) y007 z5.", "G1 X1.5 Y7 Z5", "G1X1.5Y7Z5"},
		{"G00 X0.0 Y-0 Z-0.000 E+.0", "G0 X0 Y0 Z0 E0", "G0 X0 Y0 Z0 E0"},
		{"G1 X0.30000000000000004000 Y1000000000000.00", "G1 X.30000000000000004 Y1000000000000", "G1X.30000000000000004Y1000000000000"},
		// Blanks that keep 10E5 from being a million and 0X100 from being 256.
		{"G1X10E5", "G1 X10 E5", "G1X10 E5"}, {"G1 F0X100Y10", "G1 F0 X100 Y10", "G1F0 X100Y10"},
		{"G92.1", "G92.1", "G92.1"}, {"G092.1 X0.10", "G92.1 X.1", "G92.1X.1"}, {"G1.0 X1", "G1 X1", "G1X1"},
		{"T00", "T0", "T0"}, {"M0104 S0205.0 T00", "M104 S205 T0", "M104S205T0"}, {"M220 S100", "M220 S100", "M220S100"},
		{"G28 X Y0", "G28 X Y0", "G28X Y0"}, {"M84 X Y E", "M84 X Y E", "M84X Y E"},
		// Of these the words may be names: they stay as written.
		{"M550 P007", "M550 P007", "M550 P007"}, {"M0551  P0.50S01", "M551 P0.50 S01", "M551 P0.50 S01"},
		{`M204 P"007" S01.0`, `M204 P"007" S1`, `M204P"007" S1`}, {"M808 L05", "M808 L05", "M808 L05"},
		{"M0117 Clip  0.50 of 1.0 ; note", "M117 Clip  0.50 of 1.0", "M117 Clip  0.50 of 1.0"}, {"M23 007.GCO", "M23 007.GCO", "M23 007.GCO"},
		{"M118 00", "M118 00", "M118 00"}, {"BED_LEVEL  area=0.50", "BED_LEVEL  area=0.50", "BED_LEVEL  area=0.50"},
	} {
		if got := written(t, r.line, spaced); got != r.spaced {
			t.Errorf("%q: got %q, want %q", r.line, got, r.spaced)
		}
		if got := written(t, r.line, tight); got != r.tight {
			t.Errorf("%q: tight: got %q, want %q", r.line, got, r.tight)
		}
	}
}

// The two states of a run, one in which the lines of a file are read and one in
// which the lines of the wire are.
type twins struct{ file, wire State }

// check writes a line in both forms and lets readers of the test's own compare
// it, and the state that follows it. It returns the bytes saved in both forms.
func (w *twins) check(t *testing.T, line []byte) (saved [2]int) {
	t.Helper()
	var l Line
	if l.Parse(line) != nil {
		return saved
	}
	before, wire := w.file, w.wire
	var effect, e Effect
	err := w.file.ApplyLine(&l, &effect)
	if err != nil {
		w.file = before
		return saved
	}
	wires := map[Form]string{}
	for k, form := range []Form{Spaced, Tight} {
		out := l.AppendWire(nil, form)
		var again Line
		if err := again.Parse(out); err != nil {
			t.Fatalf("%q: %q cannot be read: %v", line, out, err)
		}
		if twice := again.AppendWire(nil, form); string(twice) != string(out) {
			t.Fatalf("%q: %q becomes %q", line, out, twice)
		}
		w.wire = wire
		if err := w.wire.ApplyLine(&again, &e); err != nil || e != effect || w.wire != w.file {
			t.Fatalf("%q: %q does something else (%v)", line, out, err)
		}
		wires[form] = string(out)
		saved[k] = len(line) - len(out)
	}
	sameWords(t, string(line), wires)
	return saved
}

// Every line of every job means on the wire what it means in the file.
func TestJobsMeanTheSame(t *testing.T) {
	files, err := filepath.Glob("../../testdata/jobs/*.gcode")
	if err != nil || len(files) < 6 {
		t.Fatalf("%d jobs, %v", len(files), err)
	}
	for _, name := range files {
		f, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		w := twins{NewState(), NewState()}
		n, saved := 0, [2]int{}
		for sc := bufio.NewScanner(f); sc.Scan(); n++ {
			s := w.check(t, sc.Bytes())
			saved[0], saved[1] = saved[0]+s[0], saved[1]+s[1]
		}
		if saved[0] <= 0 || saved[1] <= saved[0] {
			t.Errorf("%s: saved %d bytes spaced, %d tight", name, saved[0], saved[1])
		}
		t.Logf("%s: %d lines, saved %d bytes spaced, %d tight", filepath.Base(name), n, saved[0], saved[1])
	}
}

func FuzzWire(f *testing.F) {
	for _, line := range []string{"G1 X10.500 Y-0.20 E0.00 F6000.0", "g01x+1.y007E-.0", "G0X0F0Y00.0", "M550 P007", "N3 G092.10 X1*4",
		`M486 A"0.50"`, "M117 0.50 (a)", "T001", "G28XYZ0", "M84XE", "M104S0205.", "G1X0.30000000000000004000", "G4 P-0", "G1 F0B1", "M0008 X0.0"} {
		f.Add([]byte(line))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		if len(line) > 4096 {
			return
		}
		known := NewState()
		known.Known = [4]bool{true, true, true, true}
		known.PositionMM = [4]float64{1, 2, 3, 4}
		w := twins{known, known}
		w.check(t, line)
	})
}

func BenchmarkAppendWire(b *testing.B) {
	line := []byte("G1 X10.14 Y34.18 E8.0273 F600")
	var l Line
	if err := l.Parse(line); err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(line) + 1))
	b.ReportAllocs()
	dst := make([]byte, 0, 100)
	for b.Loop() {
		dst = l.AppendWire(dst[:0], Spaced)
	}
}
