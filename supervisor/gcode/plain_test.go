package gcode

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// paths are two states that read the same lines, one the quick way where it takes the
// line, the other always the general way.
type paths struct {
	quick, general State
	taken, lines   int
	l, m           Line
	e, f           Effect
}

func (p *paths) check(t rapid.TB, line []byte) {
	t.Helper()
	p.lines++
	parsed := p.l.Parse(line)
	if p.l.plain {
		p.taken++
	}
	general := p.m.parse(line)
	if (parsed == nil) != (general == nil) || parsed != nil && parsed.Error() != general.Error() {
		t.Fatalf("%q: %v, in the general way %v", line, parsed, general)
	}
	if parsed != nil {
		return
	}
	same(t, line, &p.l, &p.m)
	before := p.quick
	a, b := p.quick.ApplyLine(&p.l, &p.e), p.general.applyLine(&p.m, &p.f)
	if (a == nil) != (b == nil) || a != nil && a.Error() != b.Error() {
		t.Fatalf("%q: applied with %v, in the general way with %v", line, a, b)
	}
	if p.e != p.f || signs(&p.e) != signs(&p.f) {
		t.Fatalf("%q after %+v:\n%+v, in the general way\n%+v", line, before, p.e, p.f)
	}
	if p.quick != p.general || negative(p.quick.PositionMM[:], 0) != negative(p.general.PositionMM[:], 0) {
		t.Fatalf("%q: leads to\n%+v, in the general way\n%+v", line, p.quick, p.general)
	}
}

// signs has a bit for every length of an effect that is negative: == does not tell 0
// from -0.
func signs(e *Effect) (n uint64) {
	for _, v := range [][]float64{e.MinMM[:], e.MaxMM[:], e.delta[:], e.travel[:], {e.ExtrudedMM, e.PathMM, e.FeedMMPerMin}} {
		n = negative(v, n)
	}
	return n
}

func negative(vs []float64, n uint64) uint64 {
	for _, v := range vs {
		n <<= 1
		if math.Signbit(v) {
			n |= 1
		}
	}
	return n
}

// same compares all that lines tell, numbers bit for bit.
func same(t rapid.TB, line []byte, l, m *Line) {
	t.Helper()
	if l.Letter != m.Letter || l.Number != m.Number || l.Sub != m.Sub || l.n != m.n || l.seen != m.seen || l.cmd != m.cmd ||
		l.numbered != m.numbered || string(l.Text()) != string(m.Text()) {
		t.Fatalf("%q: read as %c%d.%d, %d words; in the general way %c%d.%d, %d words", line, l.Letter, l.Number, l.Sub, l.n, m.Letter, m.Number, m.Sub, m.n)
	}
	for k, w := range l.Words() {
		if v := m.words[k]; w != v || math.Float64bits(w.Value) != math.Float64bits(v.Value) {
			t.Fatalf("%q: word %d is %+v, in the general way %+v", line, k, w, v)
		}
	}
	for _, form := range []Form{Spaced, Tight} {
		a, b := l.AppendWire(nil, form), m.AppendWire(nil, form)
		if n, ok := l.WireLen(form); ok && n != len(b) {
			t.Fatalf("%q: %d bytes on the wire, and %q has %d", line, n, b, len(b))
		}
		if string(a) != string(b) {
			t.Fatalf("%q: written as %q, in the general way as %q", line, a, b)
		}
	}
	if a, b := l.AppendClean(nil), m.AppendClean(nil); string(a) != string(b) {
		t.Fatalf("%q: listed as %q, in the general way as %q", line, a, b)
	}
}

func newPaths() *paths { return &paths{quick: NewState(), general: NewState()} }

// On every line of every job both ways give the same.
func TestPlainMovesOfJobs(t *testing.T) {
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
		p := newPaths()
		for sc := bufio.NewScanner(f); sc.Scan(); {
			p.check(t, sc.Bytes())
		}
		t.Logf("%s: %d of %d lines are plain moves", filepath.Base(name), p.taken, p.lines)
		if filepath.Base(name) == "buttons.gcode" && p.taken < p.lines*99/100 {
			t.Errorf("%s: only %d of %d lines were read the quick way", name, p.taken, p.lines)
		}
	}
}

// On generated lines, nearly plain ones among them, both ways give the same.
func TestPlainMoves(t *testing.T) {
	taken, lines := 0, 0
	plain := rapid.StringMatching(`-?([0-9]{1,4}(\.[0-9]{0,5})?|\.[0-9]{1,7})`)
	number := rapid.OneOf(
		rapid.StringMatching(`-?[0-9]{1,4}(\.[0-9]{0,5})?`), rapid.StringMatching(`-?\.[0-9]{1,5}`),
		rapid.StringMatching(`[-+]?[0-9]{0,9}(\.[0-9]{0,12})?`), rapid.StringMatching(`-?(0|00|9{7}|9{8}|1{16})(\.(0|9{7}|9{8}|0{6}1))?`),
		rapid.SampledFrom([]string{"", "-", ".", "1e5", "1E5", "1.2.3", "--1", "nan", "\x00", "1*", "1;", "1(", `"a"`, "\xb9", "/", ":", "1/", "1:"}))
	word := rapid.Custom(func(t *rapid.T) string {
		gap := rapid.SampledFrom([]string{" ", " ", " ", " ", " ", " ", " ", "", "  ", "\t"}).Draw(t, "gap")
		letter := rapid.SampledFrom(strings.Split("XXXXYYYYZZEEEEFIJKRSPGx@[", "")).Draw(t, "letter")
		return gap + letter + number.Draw(t, "number")
	})
	rapid.Check(t, func(t *rapid.T) {
		p := newPaths()
		for range rapid.IntRange(1, 40).Draw(t, "lines") {
			switch rapid.IntRange(0, 9).Draw(t, "kind") {
			case 0:
				p.check(t, []byte(rapid.SampledFrom([]string{"G20", "G21", "G90", "G91", "M82", "M83", "G92", "G92 X1 E2.5", "G28", "M220 S50",
					"M221 S95", "M221 S100", "G18", "M84"}).Draw(t, "mode")))
			case 1, 2, 3, 4, 5:
				line := rapid.SampledFrom([]string{"G0", "G1", "G1", "G2", "G3"}).Draw(t, "move")
				for _, letter := range rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"X", "Y", "Z", "E", "F", "I", "J", "K", "R"}), 1, 5, rapid.ID).Draw(t, "letters") {
					line += " " + letter + plain.Draw(t, "plain")
				}
				p.check(t, []byte(line))
			default:
				line := rapid.SampledFrom([]string{"G1", "G1", "G1", "G1", "G0", "G0", "G2", "G3", "G01", "G4", "g1", "G1.1", "G10"}).Draw(t, "command")
				for range rapid.IntRange(0, 6).Draw(t, "words") {
					line += word.Draw(t, "word")
				}
				line += rapid.SampledFrom([]string{"", "", "", "", " ", "; a", " ;", "\r", "*12", " (a)"}).Draw(t, "end")
				p.check(t, []byte(line))
			}
		}
		taken, lines = taken+p.taken, lines+p.lines
	})
	t.Logf("%d of %d lines are plain moves", taken, lines)
	if taken*4 < lines {
		t.Errorf("only %d of %d generated lines were read the quick way", taken, lines)
	}
}

func FuzzPlain(f *testing.F) {
	for _, line := range []string{"G1 X10.14 Y34.18 E8.0273", "G1 X1 F-5", "G1 X-0 Y-.5", "G0 X1234567.1234567", "G1 X12345678", "G3 X1 Y2 I-.5 J0", "G1 X1 Y2 \x00"} {
		f.Add([]byte(line))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		if len(line) > 4096 {
			return
		}
		p := newPaths()
		p.check(t, []byte("G1 X3 Y4 E1"))
		p.check(t, line)
		p.check(t, line)
	})
}

// The quick rounding is that of the mathematics library on every float64 that it takes.
func TestGrid(t *testing.T) {
	check := func(v float64) {
		if want := math.Round(v*1e9) / 1e9; math.Abs(v) <= 1e6 && grid(v) != want {
			t.Fatalf("%v is rounded to %v, not to %v", v, grid(v), want)
		}
	}
	for _, v := range []float64{0, 0.5e-9, 1.5e-9, math.Nextafter(0.5e-9, 0), math.Nextafter(0.5e-9, 1), 2.5e-9, 1e6, math.Nextafter(1e6, 0), 0.1 + 0.2} {
		check(v)
		check(-v)
	}
	rapid.Check(t, func(t *rapid.T) {
		check(rapid.Float64Range(-1e6, 1e6).Draw(t, "any"))
		n := rapid.Int64Range(-1e15, 1e15).Draw(t, "half")
		for _, v := range []float64{(float64(n) + 0.5) / 1e9, float64(n) / 1e9, float64(n%1000) / 2e9} {
			check(v)
			check(math.Nextafter(v, math.Inf(1)))
			check(math.Nextafter(v, math.Inf(-1)))
		}
	})
}
