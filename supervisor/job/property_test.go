package job

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltwarden/supervisor/gcode"

	"pgregory.net/rapid"
)

// vocabulary is what random jobs are made of.
var vocabulary = []string{
	"G1 X10 Y4 E5", "G1 X12.5 Y-3.25 E6 ; wall", "G0 X1 Y2 Z3 F6000", "G1 E3 F1800", "g1x7y7e7", "N12 G1 X9*3", "G2 X12 Y4 I1 E7", "",
	"; note", "(aside) M107", "M106 S200", "M204 P1200", "G92 E0", "G92 Y0", "M84", "M104 S0", "M104 S200", "M140 S0", "M140 S60", "G28", "G28 X",
	"G01 X10.500 Y04.0 E-0.50 ; seam", "G1 X0.250 E+8.",
	"M110 N3", "M155 S2", "M117 part (a)  b", "M400", "G4 P5", "M999", "G91\nM83", "G90\nM82", "M502", "M220 S90", "T0", "M600", "G10", "G11",
	";beltwarden body begin", ";beltwarden body end", "M808 L2", "M808 L3", "M808",
}

// What the reader gives out is the cleaned file without the withheld lines, with
// the added ones, repeats written out: made here from the file and the two lists
// alone, in the plainest way.
func TestSectionsAreTheFile(t *testing.T) {
	dir := t.TempDir()
	accepted := 0
	property := func(rt *rapid.T) {
		lines := strings.Split(strings.TrimSuffix(start, "\n"), "\n")
		for _, entry := range rapid.SliceOfN(rapid.SampledFrom(vocabulary), 1, 40).Draw(rt, "lines") {
			lines = append(lines, strings.Split(entry, "\n")...)
		}
		path := filepath.Join(dir, "job.gcode")
		if err := os.WriteFile(path, []byte(strings.Join(lines, "\n")), 0o600); err != nil {
			rt.Fatal(err)
		}
		o := upright
		o.BedC = float64(rapid.SampledFrom([]int{0, 50}).Draw(rt, "bed"))
		p, err := Inspect(context.Background(), path, o, nil)
		var refusal *Refusal
		if errors.As(err, &refusal) {
			return
		}
		if err != nil {
			rt.Fatal(err)
		}
		accepted++
		for _, kind := range []SectionKind{LeadIn, Body, LeadOut} {
			s := p.Section(kind)
			want := written(lines, p, kind, int(s.FirstLine), int(s.LastLine), nil)
			for _, c := range p.Added {
				if c.Section == kind && c.Line > s.LastLine {
					want = append(want, c.Text)
				}
			}
			got := section(rt, p, kind) // which compares the number of lines with the plan's
			if strings.Join(got, "\n") != strings.Join(want, "\n") {
				rt.Fatalf("%s of\n%s\n got %q\nwant %q", kind, strings.Join(lines, "\n"), got, want)
			}
		}
		s := gcode.NewState()
		for _, kind := range []SectionKind{LeadIn, Body} {
			want := p.Begin
			if kind == Body {
				want = p.End
			}
			for _, line := range section(rt, p, kind) {
				if _, err := s.Apply([]byte(line)); err != nil {
					rt.Fatalf("%s: %v", line, err)
				}
			}
			if s != want {
				rt.Fatalf("after %s of\n%s\n got %+v\nwant %+v", kind, strings.Join(lines, "\n"), s, want)
			}
		}
	}
	for range 20 { // one job in four is accepted
		if rapid.Check(t, property); accepted > 0 {
			break
		}
	}
	if accepted == 0 {
		t.Error("no random job was accepted; the test shows nothing")
	}
	t.Logf("%d jobs accepted", accepted)
}

// onWire is what is sent of a line. That it means the same is a matter of the
// package that reads lines, and shown there.
func onWire(line string) string {
	var l gcode.Line
	if err := l.Parse([]byte(line)); err != nil {
		return ""
	}
	return string(l.AppendWire(nil, gcode.Spaced))
}

// written appends lines first to last as they should be sent.
func written(lines []string, p *Plan, kind SectionKind, first, last int, out []string) []string {
	for n := first; n <= last; n++ {
		for _, c := range p.Added {
			if c.Section == kind && c.Line == int64(n) {
				out = append(out, c.Text)
			}
		}
		held := false
		for _, c := range p.Withheld {
			held = held || c.Line == int64(n)
		}
		text := onWire(lines[n-1])
		switch {
		case kind == Body && strings.HasPrefix(text, "M808 L"):
			end, depth := n, 0
			for ; ; end++ {
				inner := onWire(lines[end-1])
				if strings.HasPrefix(inner, "M808 L") {
					depth++
				} else if inner == "M808" {
					depth--
				}
				if depth == 0 {
					break
				}
			}
			for range text[6] - '0' {
				out = written(lines, p, kind, n+1, end-1, out)
			}
			n = end
		case !held && text != "":
			out = append(out, text)
		}
	}
	return out
}

// dribble reads one byte at a time, so that every line crosses a refill.
type dribble struct{ *bytes.Reader }

func (d dribble) Read(p []byte) (int, error) { return d.Reader.Read(p[:min(1, len(p))]) }

func FuzzInspect(f *testing.F) {
	for _, entry := range vocabulary {
		f.Add([]byte(start+"G1 X6 E5\n"+entry+"\nG1 X7 E6\r\nM104 S0\r"), false)
	}
	f.Add([]byte(start+"M808 L2\nM808 L900\nG1 X1 E1\nM808\nM808"), true)
	f.Add([]byte("\xef\xbb\xbfG28\rG1 X1 E1\x00"), false)
	f.Fuzz(func(t *testing.T, data []byte, tilt bool) {
		if len(data) > 1<<16 {
			return
		}
		o := upright
		if tilt {
			o = tilted
		}
		o.repeatLimit = 50_000
		o, err := o.complete()
		if err != nil {
			t.Fatal(err)
		}
		var plans [2]*Plan
		var problems [2]int
		for k, src := range []io.ReadSeeker{bytes.NewReader(data), dribble{bytes.NewReader(data)}} {
			if k == 1 && len(data) > 500 { // byte by byte takes its time
				return
			}
			p := &Plan{SourceBytes: int64(len(data))}
			_, why, err := newInspector(context.Background(), o, p, src).run(nil)
			if err != nil {
				t.Fatal(err)
			}
			if len(why)+len(p.Findings)+len(p.Unknown) > 5000 {
				t.Fatalf("%d problems, %d findings, %d unknown words", len(why), len(p.Findings), len(p.Unknown))
			}
			if len(why) == 0 {
				sound(t, p)
			}
			plans[k], problems[k] = p, len(why)
		}
		a, b := plans[0], plans[1]
		if problems[0] != problems[1] || a.Lines != b.Lines || a.Body != b.Body || a.LeadOut != b.LeadOut || a.End != b.End || a.WireBytes != b.WireBytes || a.SentSourceBytes != b.SentSourceBytes {
			t.Fatalf("read byte by byte it is another job:\n%+v\n%+v", a.Body, b.Body)
		}
	})
}

// sound checks what must hold of any accepted job.
func sound(t *testing.T, p *Plan) {
	if p.LeadIn.FirstLine != 1 || p.Body.FirstLine != p.LeadIn.LastLine+1 || p.LeadOut.FirstLine != p.Body.LastLine+1 || p.LeadOut.LastLine != p.Lines {
		t.Fatalf("sections do not meet: %+v %+v %+v of %d", p.LeadIn, p.Body, p.LeadOut, p.Lines)
	}
	if p.LeadIn.ToByte != p.Body.FromByte || p.Body.ToByte != p.LeadOut.FromByte || p.LeadOut.ToByte != p.SourceBytes || p.Body.FromByte > p.Body.ToByte {
		t.Fatalf("sections do not meet: %+v %+v %+v of %d bytes", p.LeadIn, p.Body, p.LeadOut, p.SourceBytes)
	}
	if p.Body.SendLines < 1 || p.BeltTravelMM < 0 || p.Layers < 1 || p.Duration < 0 || p.PitchMM < 10 {
		t.Fatalf("measures: %+v", p)
	}
	for a := gcode.X; a <= gcode.Z; a++ {
		if e := p.ExtentMM.Axis(a); !(e[0] <= e[1]) {
			t.Fatalf("extent of %s: %v", a, e)
		}
	}
}
