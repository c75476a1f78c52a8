package job

import (
	"strings"
	"testing"
)

// severityOf returns the severity of the first finding of a code, or nothing.
func severityOf(list []Finding, code string) Severity {
	for _, f := range list {
		if f.Code == code {
			return f.Severity
		}
	}
	return ""
}

func TestHabitsOfSlicers(t *testing.T) {
	for name, r := range map[string]struct {
		text  string
		codes string // code=severity; a bare code must not be there
	}{
		"purge line":                               {start + "G1 Y90 E9\nG1 X6 E20\nG92 E0\nG1 X9 Y9 E1\nG1 X8 E2\nM104 S0", "purge-repeated=warning"},
		"zeroed far into the part":                 {start + strings.Repeat("G1 X7 E5\nG1 X6 E6\n", 4) + "G92 E0\nM104 S0", "purge-repeated"},
		"purge line before the marks":              {start + "G1 Y9 E9\nG92 E0\n;beltwarden body begin\nG1 X6 E5\n;beltwarden body end\nM104 S0", "purge-repeated"},
		"waits in the part":                        {start + "G1 X6 E5\nM0 Insert\nG1 X7 E6\nM104 S0", "waits-for-operator=error unknown-word"},
		"waits where heat went off and came again": {start + "G1 X6 E5\nM107\nG28 X\nM600\nG1 X7 E6\nM104 S0", "waits-for-operator=error"},
		"waits before the part":                    {"M0\n" + start + "G1 X6 E5\nM104 S0", "waits-for-operator=warning"},
		"waits after the part":                     {start + "G1 X6 E5\nM0\nM104 S0", "waits-for-operator"},
		"waits after the marks":                    {start + ";beltwarden body begin\nG1 X6 E5\n;beltwarden body end\nM0\nM104 S0", "waits-for-operator=warning"},
		"later parts stand on the purge":           {start + "G1 X5 Y95 E15\nG92 E0\nG1 X9 Y5 F900\n;LAYER:0\nG1 X2 Y15 E1\nG1 X9 Y15 E2\nG1 Z0.4\nG1 X2 Y5 E3\nM104 S0", "purge-under-parts=warning purge-once=info"},
		"wiped on the purge and lifted":            {start + "G1 X5 Y95 E15\nG92 E0\nG1 X9 Y60 F9000\nG1 Z3\nG1 X19 Y5\nG1 Z0.2\n;LAYER:0\nG1 X12 Y15 E1\nG1 X19 Y15 E2\nG1 Z0.4\nG1 X12 Y5 E3\nM104 S0", "wipe-once=info purge-once=info"},
		"drawn back along the purge":               {start + "G1 X5 Y95 E15\nG92 E0\nG1 X5 Y80 E-1\nG1 X19 Y5\nG1 E0\n;LAYER:0\nG1 X12 Y15 E1\nG1 X19 Y15 E2\nG1 Z0.4\nG1 X12 Y5 E3\nM104 S0", "wipe-once=info"},
		"lifted from the purge and not wiped":      {start + "G1 X5 Y95 E15\nG92 E0\nG1 Z3\nG1 X19 Y5\nG1 Z0.2\n;LAYER:0\nG1 X12 Y15 E1\nG1 X19 Y15 E2\nG1 Z0.4\nG1 X12 Y5 E3\nM104 S0", "wipe-once purge-once=info"},
		"straight from the purge to the part":      {start + "G1 X5 Y95 E15\nG92 E0\nG1 X19 Y5 F9000\n;LAYER:0\nG1 X12 Y15 E1\nG1 X19 Y15 E2\nG1 Z0.4\nG1 X12 Y5 E3\nM104 S0", "wipe-once purge-once=info"},
		"the purge lies beside later parts":        {start + "G1 X5 Y95 E15\nG92 E0\nG1 X19 Y5 F900\n;LAYER:0\nG1 X12 Y15 E1\nG1 X19 Y15 E2\nG1 Z0.4\nG1 X12 Y5 E3\nM104 S0", "purge-under-parts purge-once=info"},
		"waits for a time":                         {start + "G1 X6 E5\nM0 S5\nG1 X7 E6\nM104 S0", "waits-for-operator"},
		"probing is said once":                     {"G28 X Z\nG29\n" + start + "G1 X6 E5\nM104 S0", "routine-of-board=info motion-unknown unknown-word"},
		"coordinates of the board":                 {"G28 X Z\nG54\n" + start + "G1 X6 E5\nM104 S0", "motion-unknown=warning"},
		"routines are said once, together":         {"G28 X Z\nG29\nG12 P1\n" + start + "G1 X6 E5\nM104 S0\nG27", "routine-of-board=info motion-unknown"},
		"chamber":                                  {"M141 S40\n" + start + "G1 X6 E5\nM104 S0", "heater-not-watched=warning left-on=info unknown-word"},
		"chamber switched off":                     {"M141 S40\n" + start + "G1 X6 E5\nM104 S0\nM141 S0", "heater-not-watched=warning left-on"},
		"second nozzle":                            {start + "M104 T1 S180\nG1 X6 E5\nM104 S0", "heater-not-watched=warning left-on=info"},
		"the nozzle in use by number":              {start + "M104 T0 S210\nG1 X6 E5\nM104 T0 S0", "heater-not-watched left-on"},
		"the second of two tools alone":            {start + "M104 S0\nM104 T1 S215\nT1\nG1 X6 E5\nM104 S0", "heater-not-watched cold-extrusion tool-not-heated left-on"},
		"the second heated while in use":           {"M82\nT1\n" + start + "G1 X6 E5\nM104 S0", "heater-not-watched cold-extrusion tool-not-heated left-on"},
		"the second heated by G10":                 {start + "G10 P1 S215 R180\nT1\nG1 X6 E5\nG10 P1 S0 R0\nM104 T0 S0", "cold-extrusion tool-not-heated left-on"},
		"the second heated by M568":                {start + "M568 P1 S215 R180 A2\nT1\nG1 X6 E5\nM104 S0", "cold-extrusion tool-not-heated left-on=info"},
		"two tools in a part":                      {start + "M104 T1 S215\nG1 X6 E5\nT1\nG1 X7 E6\nM104 S0", "heater-not-watched=warning cold-extrusion left-on=info"},
		"never heated, and another is":             {start + "M104 T2 S215\nT1\nG1 X6 E5\nM104 S0", "cold-extrusion=error"},
		"one nozzle for several tools, perhaps":    {start + "T1\nG1 X6 E5\nM104 S0", "tool-not-heated=warning cold-extrusion"},
		"a second fan is left on":                  {start + "M106 P2 S90\nG1 X6 E5\nM104 S0\nM140 S0", "left-on=info"},
		"a second fan is switched off":             {start + "M106 P2 S90\nG1 X6 E5\nM104 S0\nM140 S0\nM107 P2", "left-on"},
		"advance set inside the part alone":        {start + "G1 X6 E5\nM572 D0 S0.05\nG1 X7 E6\nM104 S0", "setting-not-before=warning"},
		"advance set before the part too":          {start + "M572 D0 S0.03\nG1 X6 E5\nM572 D0 S0.05\nG1 X7 E6\nM104 S0", "setting-not-before unknown-word"},
		"the nozzle moved before the part":         {"M290 Z0.05\n" + start + "SET_OFFSET Z_ADJUST=0.05\nM206 X1\nG1 X6 E5\nM104 S0", "shifted-in-part motion-unknown"},
		"the nozzle moved after the part":          {start + "G1 X6 E5\nM290 Z0.05\nM104 S0", "shifted-in-part motion-unknown"},
		"extrudes after the marks":                 {start + ";beltwarden body begin\nG1 X6 E5\n;beltwarden body end\nG1 X9 E9\nM104 S0", "extrudes-after-part=warning"},
	} {
		p, err := inspectText(t, r.text, upright)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for code := range strings.FieldsSeq(r.codes) {
			code, want, _ := strings.Cut(code, "=")
			if got := severityOf(p.Findings, code); string(got) != want {
				t.Errorf("%s: %s is %q, want %q in %+v", name, code, got, want, p.Findings)
			}
		}
	}
}

// The usual end of a file with absolute E words: drawn back relatively, in a mode
// that boards read in two ways, then the heaters are switched off. One reading is
// absurd, so the other is made certain.
func TestExtruderModeIsMadeCertain(t *testing.T) {
	for name, r := range map[string]struct{ text, body, leadOut, added string }{
		"drawn back relatively": {start + "G1 X6 E40\nG91\nG1 E-2 F2700\nG1 E-2 Z0.2\nG1 Z10\nG90\nG1 X0\nM104 S0",
			"G1 X6 E40|G91|M83|G1 E-2 F2700|G1 E-2 Z.2|G1 Z10", "G90|G1 X0|M104 S0", "10:M83"},
		"goes on absolutely": {start + "G1 X6 E400\nG91\nG1 Z1 E400.5\nG90\nM82\nM104 S0",
			"G1 X6 E400|G91|M82|G1 Z1 E400.5", "G90|M82|M104 S0", "10:M82"},
		"near the extruder's zero": {start + "G1 X6 E4\nG91\nG1 E-2\nG90\nG1 X0\nM104 S0",
			"G1 X6 E4|G91|M83|G1 E-2", "G90|G1 X0|M104 S0", "10:M83"},
		"waits after the part": {start + "G1 X6 E4\nM0 done\nM600\nM104 S0", "G1 X6 E4", "M104 S0", ""},
		"both readings agree": {start + "G1 X6 E4\nG92 E0\nG91\nG1 E-2\nG90\nM82\nG1 X0\nM104 S0",
			"G1 X6 E4|G92 E0|G91|G1 E-2", "G90|M82|G1 X0|M104 S0", ""},
		"before the part": {start + "G1 E300 F300\nG91\nG1 X6 E2\nG90\nM82\nG1 X9 E303\nM104 S0",
			"G1 X6 E2|G90|M82|G1 X9 E303", "M104 S0", "10:M83"},
		"cold after the part": {start + "G1 X6 E4\nM104 S0\nG1 E-3 F1800\nG1 E1\nG1 Z5 E0 F600",
			"G1 X6 E4", "M104 S0|G1 F1800|G1 Z5 F600", "10:G1 F1800 12:G1 Z5 F600"},
		"not cold: the part goes on": {start + "G1 X6 E4\nM140 S0\nG1 E-3 F1800\nG1 E4\nG1 X9 E5\nM104 S0",
			"G1 X6 E4|G1 E-3 F1800|G1 E4|G1 X9 E5", "M104 S0", ""},
	} {
		t.Run(name, func(t *testing.T) {
			p, err := inspectText(t, r.text, upright)
			if err != nil {
				t.Fatal(err)
			}
			same(t, "body", strings.Join(section(t, p, Body), "|"), r.body)
			same(t, "lead-out", strings.Join(section(t, p, LeadOut), "|"), r.leadOut)
			same(t, "added", texts(p.Added), r.added)
		})
	}
}

// What heats any nozzle is switched off by its tool, so that none stays hot that another tool's word left on.
func TestNozzlesAreSwitchedOffByTool(t *testing.T) {
	for text, want := range map[string]string{
		start + "G1 X6 E5\nM104 S0":                             "",
		start + "M104 T0 S210\nG1 X6 E5\nM104 S0":               "",
		start + "T1\nG1 X6 E5\nM104 S0":                         "M104 T0 S0",
		start + "M104 T1 S215\nT1\nG1 X6 E5\nM104 S0":           "M104 T0 S0 M104 T1 S0",
		start + "G10 P1 S215 R180\nT1\nG1 X6 E5\nM104 S0":       "M104 T0 S0 M104 T1 S0",
		start + "M568 P2 S215\nM141 S40\nT2\nG1 X6 E5\nM104 S0": "M104 T0 S0 M104 T2 S0 M141 S0",
	} {
		p, err := inspectText(t, text, upright)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if got := strings.Join(p.OtherOff, " "); got != want {
			t.Errorf("%q: switched off by %q, want %q", text, got, want)
		}
	}
}

// What shifts all that follows is refused inside a part: it would add up, or the next part begin elsewhere.
func TestShiftsInThePart(t *testing.T) {
	for _, line := range []string{"M290 Z0.05", "M290 X0.1 S0.2", "M206 X1", "M428", "SET_GCODE_OFFSET Z_ADJUST=0.05 MOVE=1"} {
		if _, err := inspectText(t, start+"G1 X6 E5\n"+line+"\nG1 X7 E6\nM104 S0\n", upright); !refusedFor(err, "shifted-in-part") {
			t.Errorf("%s: %v", line, err)
		}
	}
	for _, line := range []string{"M290", "M206", "SET_GCODE_OFFSET Z=0.05"} {
		if _, err := inspectText(t, start+"G1 X6 E5\n"+line+"\nG1 X7 E6\nM104 S0\n", upright); err != nil {
			t.Errorf("%s: %v", line, err)
		}
	}
}
