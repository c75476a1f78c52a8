package job

import (
	"strings"
	"testing"
)

// TestNamedWords: what the configuration says of a named word is said in words beside it, so that the job
// runs whose heat, homing and extruder mode are left to the board.
func TestNamedWords(t *testing.T) {
	const part = "G1 X5 Y5 Z0.2 F600\nG1 X6 E5\nG1 X7 E5\nG1 Y9 E5\nG1 X5 E5\nG1 Y5 E5\nG1 X8 E5\nG1 Z5\n"
	for name, c := range map[string]struct {
		word  NamedWord
		line  string
		added string // of heat and the extruder
		codes string // code=severity; a bare code must not be there
	}{
		"not described": {NamedWord{}, "BEGIN_JOB BED=60 EXTRUDER=210", "", "cold-extrusion=error unknown-word=info"},
		"by arguments": {NamedWord{Word: "BEGIN_JOB", Nozzle: "EXTRUDER", Bed: "BED", Homes: true, Extruder: "relative"}, "BEGIN_JOB BED=60 EXTRUDER=210",
			"4:M140 S60 4:M104 S210 5:M83", "cold-extrusion no-bed-temperature not-homed extruder-mode"},
		"in another case": {NamedWord{Word: "begin_job", Nozzle: "extruder", Bed: "bed"}, "Begin_Job BED=60.5 EXTRUDER=210", "4:M140 S60.5 4:M104 S210", "cold-extrusion"},
		"by letters":      {NamedWord{Word: "BEGIN_JOB", Nozzle: "S", Bed: "B"}, "BEGIN_JOB B60 S210", "4:M140 S60 4:M104 S210", "cold-extrusion not-homed=warning"},
		"by numbers":      {NamedWord{Word: "BEGIN_JOB", Nozzle: "205", Bed: "55"}, "BEGIN_JOB", "4:M140 S55 4:M104 S205", "cold-extrusion"},
		"without one":     {NamedWord{Word: "BEGIN_JOB", Nozzle: "EXTRUDER", Bed: "BED"}, "BEGIN_JOB EXTRUDER=210", "4:M104 S210", "named-word-argument=warning cold-extrusion"},
		"too hot":         {NamedWord{Word: "BEGIN_JOB", Nozzle: "A", Bed: "BED"}, "BEGIN_JOB A=400 BED=60", "4:M140 S60 4:M104 S400", "nozzle-ceiling=error"},
		"another word":    {NamedWord{Word: "BEGIN_JOBS", Nozzle: "EXTRUDER"}, "BEGIN_JOB BED=60 EXTRUDER=210", "", "cold-extrusion=error"},
	} {
		o := upright
		o.NozzleCeilingC, o.BedCeilingC = 300, 120
		if c.word.Word != "" {
			o.NamedWords = []NamedWord{c.word}
		}
		p, err := inspectText(t, "G21\nG90\nM83\n"+c.line+"\n"+part, o)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var added []string
		for _, text := range strings.Split(strings.ReplaceAll(texts(p.Added), " S", "\x00S"), " ") {
			if text = strings.ReplaceAll(text, "\x00S", " S"); strings.Contains(text, "M140") || strings.Contains(text, "M104") && !strings.Contains(text, "S0") || strings.Contains(text, "M83") {
				if !strings.HasSuffix(text, "M140 S0") {
					added = append(added, text)
				}
			}
		}
		if got := strings.Join(added, " "); got != c.added {
			t.Errorf("%s: added %q, want %q", name, got, c.added)
		}
		for code := range strings.FieldsSeq(c.codes) {
			code, want, _ := strings.Cut(code, "=")
			if got := severityOf(p.Findings, code); string(got) != want {
				t.Errorf("%s: %s is %q, want %q in %+v", name, code, got, want, p.Findings)
			}
		}
		if p.Blocked() {
			continue
		}
		if n := int64(len(section(t, p, LeadIn))); n != p.LeadIn.SendLines {
			t.Errorf("%s: %d lines of the lead-in, %d announced", name, n, p.LeadIn.SendLines)
		}
		if c.added != "" && p.Begin.NozzleTargetC < 200 {
			t.Errorf("%s: the part begins with the nozzle at %g", name, p.Begin.NozzleTargetC)
		}
	}
	// What to write is shown where it is missing.
	for line, want := range map[string]string{
		"BEGIN_JOB BED=60 EXTRUDER=210":            "- {word: BEGIN_JOB, nozzle: EXTRUDER, bed: BED, homes: true}",
		"START_ALL NOZZLE_TEMP=210 MATERIAL=plain": "- {word: START_ALL, nozzle: NOZZLE_TEMP, homes: true}",
		"STATUS_LIGHT COLOUR=green":                "set the nozzle temperature before the part",
	} {
		p, err := inspectText(t, "G21\nG90\nM83\n"+line+"\n"+part, upright)
		if err != nil {
			t.Fatal(err)
		}
		if f := byCode(p.Findings, "cold-extrusion"); f == nil || !strings.Contains(f.Remedy, want) {
			t.Errorf("%s: %+v, want %q", line, f, want)
		}
	}
	// The end's word switches off.
	o := upright
	o.NamedWords = []NamedWord{{Word: "BEGIN_JOB", Nozzle: "EXTRUDER", Bed: "BED"}, {Word: "FINISH_JOB", Nozzle: "0", Bed: "0"}}
	p, err := inspectText(t, "G90\nM83\nBEGIN_JOB BED=60 EXTRUDER=210\n"+part+"FINISH_JOB\n", o)
	if err != nil {
		t.Fatal(err)
	}
	same(t, "lead-out", strings.Join(section(t, p, LeadOut), "|"), "M140 S0|M104 S0|FINISH_JOB")
}
