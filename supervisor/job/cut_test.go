package job

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// twoStrokes is a part of two strokes behind a purge of one; lines count from 8.
const twoStrokes = start + "G1 X5 Y95 E15\nG92 E0\nG1 X9 Y5 F900\nG1 X2 Y15 E1\nG1 X9 Y15 E2\nG1 Z0.4\nG1 X2 Y5 E3\nG1 E2\nM104 S0\n"

// TestNamedPart: who names the lines of the part moves the cut, and the sections say so.
func TestNamedPart(t *testing.T) {
	lines := int64(strings.Count(start, "\n"))
	for name, c := range map[string]struct {
		part Lines
		body string
		code string // why not
	}{
		"later":                   {Lines{lines + 4, lines + 8}, "G1 X2 Y15 E1|G1 X9 Y15 E2|G1 Z.4|G1 X2 Y5 E3|G1 E2", ""},
		"without its retraction":  {Lines{lines + 4, lines + 7}, "G1 X2 Y15 E1|G1 X9 Y15 E2|G1 Z.4|G1 X2 Y5 E3", ""},
		"with the purge":          {Lines{lines + 1, lines + 8}, "G1 X5 Y95 E15|G92 E0|G1 X9 Y5 F900|G1 X2 Y15 E1|G1 X9 Y15 E2|G1 Z.4|G1 X2 Y5 E3|G1 E2", ""},
		"up to the last line":     {Lines{lines + 4, lines + 9}, "G1 X2 Y15 E1|G1 X9 Y15 E2|G1 Z.4|G1 X2 Y5 E3|G1 E2", ""}, // the lot switches off
		"nothing extrudes there":  {Lines{lines + 2, lines + 3}, "", "no-part"},
		"beyond the file":         {Lines{lines + 4, lines + 90}, "", "part-lines"},
		"before anything is home": {Lines{1, lines + 8}, "", "position-unknown"},
	} {
		o := upright
		o.Part = c.part
		p, err := inspectText(t, twoStrokes, o)
		if c.code != "" {
			if !refusedFor(err, c.code) {
				t.Errorf("%s: %v, want %s", name, err, c.code)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if got := strings.Join(section(t, p, Body), "|"); got != c.body || p.Body.FirstLine != c.part.From || p.Body.LastLine != c.part.To {
			t.Errorf("%s: body %d to %d: %s", name, p.Body.FirstLine, p.Body.LastLine, got)
		}
		if len(p.Evidence) != 2 || p.Evidence[0].Line != c.part.From || p.Evidence[1].Line != c.part.To {
			t.Errorf("%s: evidence %+v", name, p.Evidence)
		}
	}
	for _, wrong := range []Lines{{3, 2}, {0, 5}, {-1, 5}, {5, 0}} {
		o := upright
		o.Part = wrong
		if _, err := inspectText(t, twoStrokes, o); err == nil {
			t.Errorf("lines %+v are taken", wrong)
		}
	}
}

// refusedFor reports whether a refusal has a problem of the code.
func refusedFor(err error, code string) bool {
	refused, ok := err.(*Refusal)
	return ok && strings.Contains(" "+codesOf(refused.Problems)+" ", " "+code+" ")
}

func codesOf(list []Finding) string {
	var codes []string
	for _, f := range list {
		codes = append(codes, f.Code)
	}
	return strings.Join(codes, " ")
}

// TestCopyKeepsItsPart: the copy of a job that a lot is made from is read with the part that was
// named, without a line having another number; and a lot's own repeats and marks change nothing of it.
func TestCopyKeepsItsPart(t *testing.T) {
	lines := int64(strings.Count(start, "\n"))
	part := Lines{lines + 4, lines + 8}
	for name, text := range map[string]string{
		"as sliced":             twoStrokes,
		"without last line end": strings.TrimSuffix(twoStrokes, "\n"),
		"CR LF":                 strings.ReplaceAll(twoStrokes, "\n", "\r\n"),
		"CR":                    strings.ReplaceAll(twoStrokes, "\n", "\r"),
		"marked otherwise":      strings.Replace(twoStrokes, "G92 E0\n", ";beltwarden body begin\n", 1),
	} {
		path := filepath.Join(t.TempDir(), "clip.gcode")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		j, err := OpenJob(context.Background(), path, part)
		if err != nil {
			t.Fatal(err)
		}
		var copied bytes.Buffer
		digest, err := j.Copy(&copied)
		j.Close()
		if err != nil || int64(copied.Len()) != j.Bytes {
			t.Fatalf("%s: %d bytes copied, %d announced: %v", name, copied.Len(), j.Bytes, err)
		}
		file := filepath.Join(t.TempDir(), "copy")
		if err := os.WriteFile(file, copied.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		p, err := InspectCopy(context.Background(), path, file, upright, nil)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if p.Body.FirstLine != part.From || p.Body.LastLine != part.To || p.SHA256 != digest || p.Path != path {
			t.Errorf("%s: body %d to %d, digest %s, want %s", name, p.Body.FirstLine, p.Body.LastLine, p.SHA256, digest)
		}
	}
	for _, end := range []string{";beltwarden body lines 5", ";beltwarden body lines 5 to 4", ";beltwarden body lines 5 to 4 or so", "; beltwarden body lines 5 to 9"} {
		if p, err := inspectText(t, twoStrokes+end+"\n", upright); err != nil || p.Body.FirstLine == 5 {
			t.Errorf("%q is taken for the lines of the part: %v", end, err)
		}
	}
}

// TestEvidence: what decided about the part is listed with its line.
func TestEvidence(t *testing.T) {
	p, err := inspectText(t, strings.Replace(twoStrokes, "G92 E0\n", "G92 E0\n;LAYER:0\n", 1), upright)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range p.Evidence {
		got = append(got, e.Text)
	}
	all := strings.Join(got, "|")
	for _, want := range []string{`"LAYER:0" names a layer by its number, after 1 extruding moves`, "the extruder is set to 0, after 1 extruding moves",
		`the part begins here: "LAYER:0" in line 10 names its first layer`, "the last extruding move", "the part ends here", "M104 S0 shuts the machine down"} {
		if !strings.Contains(all, want) {
			t.Errorf("no word of %q in %q", want, all)
		}
	}
}
