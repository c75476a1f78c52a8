package job

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"beltwarden/supervisor/gcode"
)

// start is a sound lead-in of seven lines.
const start = "G21\nG90\nM82\nG28 X Z\nG92 Y0 E0\nM109 S205\nG1 X5 Y5 Z0.2 F3000\n"

func TestSplit(t *testing.T) {
	for name, r := range map[string]struct {
		text                   string
		first, last            int64 // of the body
		leadIn, body, leadOut  string
		withheld, added, codes string
	}{
		"by itself": {start + "G1 E5 F300\nG1 X10 E6\nG1 E4\nG1 Z5\nM107\nM104 S0\nG1 X0\nM84\n", 9, 11,
			"M107|G21|G90|M82|G28 X Z|G92 Y0 E0|M109 S205|G1 X5 Y5 Z.2 F3000|G1 E5 F300", "G1 X10 E6|G1 E4|G1 Z5", "M107|M104 S0|G1 X0",
			"15:M84", "1:M107", ""},
		"by itself to the end": {start + "G1 X10 E6", 8, 8, "G21|G90|M82|G28 X Z|G92 Y0 E0|M109 S205|G1 X5 Y5 Z.2 F3000", "G1 X10 E6", "M104 S0",
			"", "9:M104 S0", "left-on"},
		"shut down, and the part goes on": {start + "G1 X10 E6\nM104 S0\nG1 X20 E7\nG1 Z9\nM84\n", 8, 11, "", "G1 X10 E6|G1 X20 E7|G1 Z9", "M104 S0",
			"9:M104 S0 12:M84", "13:M104 S0", "left-on"},
		"by comments": {start + "G1 X6 E5\n ;  BeltWarden Body  BEGIN\nG1 X10 E6\nG1 X4\n;beltwarden body end\nG1 Z9\nM104 S0", 10, 11,
			"", "G1 X10 E6|G1 X4", "G1 Z9|M104 S0", "", "", ""},
		"by comments, heater off inside": {start + ";beltwarden body begin\nG1 X10 E6\nM104 S0\nM84\n;beltwarden body end\n", 9, 11,
			"", "G1 X10 E6", "M104 S0", "10:M104 S0 11:M84", "13:M104 S0", "left-on"},
		"by repeat": {start + "G1 X6 E5\nM808 L0\nG1 X10 E6\nG1 X4\nM808\nM104 S0", 10, 11,
			"", "G1 X10 E6|G1 X4", "M104 S0", "9:M808 L0 12:M808", "", "repeat-count"},
		"heater cycled before the part": {start + "G1 X6 E5\nM104 S0\nM104 S200\nG1 X7 E6\n;beltwarden body begin\nG1 X10 E7\n;beltwarden body end\nM104 S0", 13, 13,
			"", "G1 X10 E7", "M104 S0", "", "", ""},
		"repeats inside": {start + "M808 L9\nG91\nM83\nM808 L2\nG1 X1 E1\nM808 L3\nG1 Y1 E1\nM808\nM808\nG90\nM83\nG1 X5 Y5\nM808\nM104 S0", 9, 19,
			"", "G91|M83|G1 X1 E1|G1 Y1 E1|G1 Y1 E1|G1 Y1 E1|G1 X1 E1|G1 Y1 E1|G1 Y1 E1|G1 Y1 E1|G90|M83|G1 X5 Y5", "M104 S0",
			"8:M808 L9 11:M808 L2 13:M808 L3 15:M808 16:M808 20:M808", "", "repeat-count"},
		"retraction by the board ends a body": {start + "G1 X10 E6\nG10\nM104 S0", 8, 9, "", "G1 X10 E6|G10", "M104 S0", "", "", ""},
		"dangerous words": {"M110 N4\nM502\nM92 Y80 X80\nM28 a.g\n" + start + "G1 X6 E5\nM155 S1\nG1 X7 E6\nM104 S0\nM81\nG28\n", 12, 14,
			"G21|G90|M82|G28 X Z|G92 Y0 E0|M109 S205|G1 X5 Y5 Z.2 F3000", "G1 X6 E5|G1 X7 E6", "M104 S0|G28 X Z|G92 Y0",
			"1:M110 N4 2:M502 3:M92 Y80 X80 4:M28 a.g 13:M155 S1 16:M81 17:G28", "17:G28 X Z 17:G92 Y0", ""},
		"nothing said": {"M109 S200\nG28 Z\nG1 X5 Y5 F600\nG1 X6 E5\nM104 S0", 4, 4,
			"G21|G90|M82|G92 E0|G92 Y0|M109 S200|G28 Z|G1 X5 Y5 F600", "G1 X6 E5", "M104 S0", "", "1:G21 1:G90 1:M82 1:G92 E0 1:G92 Y0", "not-homed"},
		"relative end that boards read differently": {start + "G1 X6 E5\nM104 S0\nG91\nG1 E-3 Z2 F300\nG90\nG1 X0", 8, 8, "", "G1 X6 E5",
			"M104 S0|G91|G1 Z2 F300|G90|G1 X0", "11:G1 E-3 Z2 F300", "11:G1 Z2 F300", ""},
		"waits and unknown words": {start + "G1 X6 E5\nM600\nM7 S3\nG1 X7 E6\nM104 S0", 8, 11, "", "G1 X6 E5|M600|M7 S3|G1 X7 E6", "M104 S0", "", "", "waits-for-operator unknown-word"},
		"a star in a text": {start + "G1 X6 E5\nM117 2*3\nM486 A\"a*b\"\nG1 X7 E6\nM104 S0", 8, 11, "", "G1 X6 E5|G1 X7 E6", "M104 S0",
			"9:M117 2*3 10:M486 A\"a*b\"", "", ""},
		"setting only inside": {start + "G1 X6 E5\nM204 P900\nG1 X7 E6\nM104 S0", 8, 10, "", "G1 X6 E5|M204 P900|G1 X7 E6", "M104 S0", "", "", "setting-not-before"},
		"cold":                {"G21\nG90\nM82\nG28 X Z\nG92 Y0 E0\nG1 X5 Y5 Z1 F600\nG1 X6 E5\nM84", 7, 7, "", "G1 X6 E5", "", "8:M84", "", "cold-extrusion"},
	} {
		t.Run(name, func(t *testing.T) {
			p, err := inspectText(t, r.text, upright)
			if err != nil {
				t.Fatal(err)
			}
			if p.Body.FirstLine != r.first || p.Body.LastLine != r.last {
				t.Errorf("body from %d to %d, want %d to %d", p.Body.FirstLine, p.Body.LastLine, r.first, r.last)
			}
			if p.LeadIn.LastLine != r.first-1 || p.LeadOut.FirstLine != r.last+1 || p.LeadOut.LastLine != p.Lines {
				t.Errorf("sections do not meet: %+v %+v %+v", p.LeadIn, p.Body, p.LeadOut)
			}
			if r.leadIn != "" {
				same(t, "lead-in", strings.Join(section(t, p, LeadIn), "|"), r.leadIn)
			}
			same(t, "body", strings.Join(section(t, p, Body), "|"), r.body)
			same(t, "lead-out", strings.Join(section(t, p, LeadOut), "|"), r.leadOut)
			same(t, "withheld", texts(p.Withheld), r.withheld)
			same(t, "added", texts(p.Added), r.added)
			for code := range strings.FieldsSeq(r.codes) {
				if !hasCode(p.Findings, code) {
					t.Errorf("no finding %s in %+v", code, p.Findings)
				}
			}
			for _, c := range append(append([]Change{}, p.Withheld...), p.Added...) {
				if c.Why == "" || c.Section == "" {
					t.Errorf("a change without reason or section: %+v", c)
				}
			}
			s := gcode.NewState()
			play(t, p, LeadIn, &s)
			if play(t, p, Body, &s); s != p.End {
				t.Errorf("after the body\n got %+v\nwant %+v", s, p.End)
			}
		})
	}
}

func TestRefused(t *testing.T) {
	for name, r := range map[string]struct {
		text string
		want string // "line code", in order
	}{
		"no part":                      {start + "M104 S0\n", "0 no-part"},
		"only comments":                {"; nothing\n", "0 no-part"},
		"heater cycled":                {start + "G1 X6 E5\nM104 S0\nM104 S200\nG1 X7 E6\n", "9 heater-cycled"},
		"heater cycled, marked":        {start + ";beltwarden body begin\nG1 X6 E5\nM140 S0\nM140 S50\n;beltwarden body end\n", "10 heater-cycled"},
		"belt homed":                   {start + "G1 X6 E5\nG28\nG1 X7 E6\n", "9 belt-homed"},
		"belt homed after shutdown":    {start + "G1 X6 E5\nM104 S0\nG28 Y\nG1 X7 E6\n", "10 belt-homed"},
		"belt homed, marked":           {start + ";beltwarden body begin\nG1 X6 E5\nG28 Y\n;beltwarden body end\n", "10 belt-homed"},
		"relative from nowhere":        {"M109 S200\nG21\nG91\nM83\nG1 X5 E5 F600\n", "5 position-unknown 5 position-unknown 5 position-unknown"},
		"end unknown":                  {start + ";beltwarden body begin\nG1 X6 E5\n;beltwarden body end\nG1 X6 E5", ""},
		"probing inside":               {start + "G1 X6 E5\nG29\nG1 X7 E6\n", "9 motion-unknown"},
		"extruder mode":                {start + "G91\nG1 X1 E5\nG1 X1 E5\n", "10 extruder-mode"},
		"volumes":                      {start + "M200\nG1 X6 E5\n", "8 impossible"},
		"endless inside":               {start + "M808 L2\nM808 L0\nG1 X6 E5\nM808\nM808\n", "9 repeat-endless"},
		"no count inside":              {start + "M808 L2\nM808 L\nG1 X6 E5\nM808\nM808\n", "9 repeat-endless"},
		"broken count":                 {start + "M808 L2\nM808 L1.5\nG1 X6 E5\nM808\nM808\n", "9 repeat-count"},
		"not closed":                   {start + "M808 L2\nG1 X6 E5\n", "8 repeat-unbalanced"},
		"inner not closed":             {start + "M808 L2\nM808 L3\nG1 X6 E5\nM808\n", "8 repeat-unbalanced"},
		"not opened":                   {start + "G1 X6 E5\nM808\n", "9 repeat-unbalanced"},
		"two outermost":                {start + "M808 L2\nG1 X6 E5\nM808\nM808 L2\nG1 X7 E6\nM808\n", "11 repeat-unbalanced 13 repeat-unbalanced"},
		"nested too deep":              {start + strings.Repeat("M808 L1\n", 11) + "G1 X6 E5\n" + strings.Repeat("M808\n", 11), "18 repeat-nesting"},
		"markers mixed":                {start + "M808 L2\n;beltwarden body begin\nG1 X6 E5\n;beltwarden body end\nM808\n", "9 markers-mixed 11 markers-mixed"},
		"marked twice":                 {start + ";beltwarden body begin\n;beltwarden body begin\nG1 X6 E5\n;beltwarden body end\n", "9 markers"},
		"marker not closed":            {start + ";beltwarden body begin\nG1 X6 E5\n", "8 markers"},
		"marker not opened":            {start + "G1 X6 E5\n;beltwarden body end\n", "9 markers"},
		"repeat across marker":         {start + ";beltwarden body begin\nM808 L2\nG1 X6 E5\n;beltwarden body end\nM808", "11 repeat-unbalanced 12 repeat-unbalanced"},
		"many faults":                  {"G1 X1e5\nG1 X.\n" + start + "G1 X6 E5\nG1 X--3\nX4\nG90 G91\nG2 X9 R0.1\nG1 X\n", "1 unreadable 2 unreadable 11 unreadable 12 unreadable 13 unreadable 14 impossible 15 unreadable"},
		"unreadable before the part":   {start + "G1 X6 E5\nG1 X1e5\nG2 X9 R0.1\n;beltwarden body begin\nG1 X7 E6\n;beltwarden body end\n", "9 unreadable 10 impossible"},
		"NUL":                          {start + "G1 X6 E5\nG1 \x00X7\n", "9 unreadable"},
		"repeats beyond all measure":   {start + "M808 L2\nM808 L9000\nM808 L9000\nG1 X6 E5\nM808\nM808\nM808\n", "10 repeat-size"},
		"count beyond all measure":     {start + "M808 L2\nM808 L999999999\nG1 X6 E5\nM808\nM808\n", "9 repeat-size"},
		"no extrusion between markers": {start + "G1 X6 E5\n;beltwarden body begin\nG1 X7\n;beltwarden body end", "10 no-part"},
	} {
		t.Run(name, func(t *testing.T) {
			o := upright
			o.repeatLimit = 1 << 20
			p, err := inspectText(t, r.text, o)
			if r.want == "" {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			var refusal *Refusal
			if !errors.As(err, &refusal) || p != nil {
				t.Fatalf("got %v, %v", p, err)
			}
			var got []string
			for _, f := range refusal.Problems {
				got = append(got, fmt.Sprintf("%d %s", f.Line, f.Code))
				if f.Text == "" || f.Remedy == "" || f.Severity != Error {
					t.Errorf("incomplete: %+v", f)
				}
			}
			same(t, "problems", strings.Join(got, " "), r.want)
			first := refusal.Problems[0]
			if first.Line > 0 && !strings.Contains(err.Error(), fmt.Sprintf("clip.gcode:%d: %s; %s", first.Line, first.Text, first.Remedy)) {
				t.Errorf("message: %v", err)
			}
		})
	}
}

func TestMeasuresOfRepeatsInside(t *testing.T) {
	p, err := inspectText(t, start+"M808 L9\nM83\nM808 L4\nG91\nM83\nG1 Y2 E0.5\nG90\nM83\nM808\nM808\nM104 S0", upright)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "travel", p.BeltTravelMM, 8, 1e-9)
	near(t, "advance", p.BeltAdvanceMM, 8, 1e-9)
	near(t, "filament", p.FilamentMM, 2, 1e-9)
	o := upright
	o.Forward = -1
	q, err := inspectText(t, start+"G1 Y8 E2\nG92 Y0\nG1 Y-3 E3\nG3 Y-3 J5 E4\nM104 S0", o)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "advance over G92, backwards", q.BeltAdvanceMM, 0, 1e-9) // +3, then -3
	near(t, "travel over G92, with a full circle", q.BeltTravelMM, 6+4*5, 1e-9)
	if q.ExtentMM.Y != [2]float64{5, 15} { // in the coordinates at the start: 5 to 8, 8 to 5, circle of radius 5 about 10
		t.Errorf("extent %v", q.ExtentMM.Y)
	}
}

func TestBedAdded(t *testing.T) {
	o := upright
	o.BedC = 55
	p, err := inspectText(t, start+"G1 X6 E5\nM104 S0", o)
	if err != nil {
		t.Fatal(err)
	}
	same(t, "lead-in", strings.Join(section(t, p, LeadIn), "|"), "M140 S55|G21|G90|M82|G28 X Z|G92 Y0 E0|M190 S55|M109 S205|G1 X5 Y5 Z.2 F3000")
	same(t, "lead-out", strings.Join(section(t, p, LeadOut), "|"), "M104 S0|M140 S0")
	if p.Begin.BedTargetC != 55 || p.End.BedTargetC != 55 {
		t.Errorf("bed at %g and %g", p.Begin.BedTargetC, p.End.BedTargetC)
	}
}

func TestPitchTooSmall(t *testing.T) {
	o := upright
	o.PitchMM = 12
	p, err := inspectText(t, start+"G1 Y8 E5\nM104 S0", o) // 3 mm and a gap of 10
	if err != nil || !p.Blocked() || !hasCode(p.Findings, "pitch-small") {
		t.Errorf("got %v, %+v", err, p)
	}
}

func hasCode(findings []Finding, code string) bool {
	for _, f := range findings {
		if f.Code == code {
			return true
		}
	}
	return false
}

func same(t testing.TB, what, got, want string) {
	t.Helper()
	if got != want {
		t.Errorf("%s\n got %s\nwant %s", what, got, want)
	}
}
