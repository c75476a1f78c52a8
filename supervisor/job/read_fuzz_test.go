package job

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"beltwarden/supervisor/gcode"
)

// FuzzRead inspects a file and reads its sections. What is given out must be as much as
// the plan says, and must leave the board in the states of the plan; every line stands
// by itself, free of comments, sums and control bytes, and is its own wire form.
func FuzzRead(f *testing.F) {
	for _, entry := range vocabulary {
		f.Add([]byte(start + "G1 X6 E5\n" + entry + "\nG1 X7 E6\n\rM104 S0\r"))
	}
	f.Add([]byte(start + "M808 L2\nM808 L3\nG91\nG1 X1 E1\nM808\n\r\nM808\r\n\r"))
	f.Add([]byte(start + "G1 X6 E5\nN4 G92 E0*67\nM117 a*b\nN5 M117 a*9\nG20\nG1 X1 E1 F9\nM221 S50\nM84\nG10"))
	path := filepath.Join(f.TempDir(), "clip.gcode")
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 1<<13 {
			return
		}
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		o := upright
		o.BedC, o.repeatLimit = 55, 20_000
		p, err := Inspect(context.Background(), path, o, nil)
		var refusal *Refusal
		if errors.As(err, &refusal) {
			if len(refusal.Problems) == 0 {
				t.Fatal("refused without a reason")
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		sound(t, p)
		s := gcode.NewState()
		for _, kind := range []SectionKind{LeadIn, Body, LeadOut} {
			lines, wire := readAll(t, p, kind, &s)
			if lines != p.Section(kind).SendLines || kind == Body && wire != p.WireBytes {
				t.Fatalf("%s: %d lines and %d bytes, the plan says %d and %d", kind, lines, wire, p.Section(kind).SendLines, p.WireBytes)
			}
			if kind == LeadIn && s != p.Begin || kind == Body && s != p.End {
				t.Fatalf("after the %s: %+v\nthe plan says %+v %+v", kind, s, p.Begin, p.End)
			}
		}
	})
}

// readAll applies the lines of a section to s, and returns how many lines and bytes they
// are, line ends included.
func readAll(t *testing.T, p *Plan, kind SectionKind, s *gcode.State) (lines, wire int64) {
	t.Helper()
	r, err := p.Open(kind)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for {
		line, err := r.Next(nil)
		if err == io.EOF {
			return lines, wire
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range line {
			if c < ' ' && c != '\t' || c == 0x7f || c == '*' {
				t.Fatalf("%q goes on the wire", line)
			}
		}
		var l gcode.Line
		if err := l.Parse(line); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		if again := l.AppendWire(nil, gcode.Spaced); len(line) == 0 || string(again) != string(line) {
			t.Fatalf("%q would go on the wire as %q", line, again)
		}
		if _, err := s.Apply(line); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		lines, wire = lines+1, wire+int64(len(line))+1
	}
}
