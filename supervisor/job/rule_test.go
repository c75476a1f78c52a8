package job

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"beltwarden/supervisor/gcode"
)

// spellings are lines as files may have them, and what becomes of them under ceilings
// of 260 C (nozzle) and 100 C (bed): a code of refusal, "withheld", "unreadable" or
// "sent". How boards read each is common practice, no source.
var spellings = []struct{ line, want string }{
	{"M104 S200", "sent"}, {"M104 S260", "sent"}, {"M104 S260.01", "nozzle-ceiling"}, {"M104 S400", "nozzle-ceiling"}, {"m104s400", "nozzle-ceiling"},
	{"M0104 S400", "nozzle-ceiling"}, {"M 104 S 400", "nozzle-ceiling"}, {"\tM104\tS400", "nozzle-ceiling"}, {"N5 M104 S400", "nozzle-ceiling"},
	{"N5 M104 S400*98", "nozzle-ceiling"}, {"M104 (warm) S400", "nozzle-ceiling"}, {"(x) M104 S400", "nozzle-ceiling"}, {"M104 S400;S200", "nozzle-ceiling"},
	{"M104 S+400", "nozzle-ceiling"}, {"M104 S0400", "nozzle-ceiling"}, {"M104 S400.", "nozzle-ceiling"}, {"M104 S000000000000000000400", "nozzle-ceiling"},
	{"M104 S4e2", "unreadable"}, {"M104 S4E2", "temperature-unclear"}, {"M104 S0x190", "temperature-unclear"}, {"M104 S0X190", "temperature-unclear"},
	{`M104 S"400"`, "temperature-unclear"}, {"M104 S{400}", "unreadable"}, {"M104 S200 M104 S400", "unreadable"}, {"M104 S200 S400", "unreadable"},
	{"M104.1 S400", "nozzle-ceiling"}, {"M104 T1 S400", "nozzle-ceiling"}, {"M104 S200 T1", "sent"}, {"M104 R400", "nozzle-ceiling"}, {"M104 S200 B400 F1", "nozzle-ceiling"},
	{"M109 S400", "nozzle-ceiling"}, {"M109 R400", "nozzle-ceiling"}, {"M109 S0 R400", "nozzle-ceiling"}, {"M109 S200 F1 B220", "sent"}, {"M109", "sent"}, {"M104", "sent"},
	{"M140 S100", "sent"}, {"M140 S101", "bed-ceiling"}, {"M140 P0 S200", "bed-ceiling"}, {"M190 R101", "bed-ceiling"}, {"M190 S60 R101", "bed-ceiling"},
	{"M190.2 S101", "bed-ceiling"}, {"M141 S101", "chamber-ceiling"}, {"M141 S50", "sent"}, {"M191 R300", "chamber-ceiling"}, {"M191 S50", "sent"},
	{"G10 P0 S400", "nozzle-ceiling"}, {"G10 P0 R400", "nozzle-ceiling"}, {"g10p0s400", "nozzle-ceiling"}, {"G10.1 P0 S400", "nozzle-ceiling"}, {"G10 P0 S200 R150", "sent"},
	{"G10", "sent"}, {"G10 S1", "sent"}, {"G10 L2 P1 X300 Y10", "sent"}, {"G10 P0 R0 S0 X300", "sent"},
	{"M568 P0 S400", "nozzle-ceiling"}, {"M568 P0 R400", "nozzle-ceiling"}, {"M568 P0 S200 R150 A2", "sent"}, {"M568 P0 F3000", "sent"},
	{"M145 S0 H400 B60", "nozzle-ceiling"}, {"M145 S0 H200 B120", "bed-ceiling"}, {"M145 S0 H200 B60 F255", "sent"},
	{"M303 S400", "withheld"}, {"M303.1 E0 S400 C8", "withheld"}, {"M306 T", "withheld"}, {"M306 P40", "sent"}, {"M307 H1 R2.4", "withheld"}, {"M562 P1", "withheld"},
	{"M570 H1 S400", "withheld"}, {"M143 H1 S400", "withheld"}, {"M305 P1 B4000", "withheld"}, {"M308 S1 P\"a\"", "withheld"}, {"M950 H1 C\"a\"", "withheld"},
	{"M104 I1", "temperature-unclear"}, {"M104 I", "temperature-unclear"}, {"M109 S200 I2", "temperature-unclear"}, {"m0104i1", "temperature-unclear"}, {"M140 I1", "temperature-unclear"},
	{"M190 I0", "temperature-unclear"}, {"M141 I1", "temperature-unclear"}, {"M301 I1.08", "sent"}, {"G10 L2 P1 I5", "sent"},
	{`M98 P"warm.g"`, "withheld"}, {`M98.1 P"warm.g"`, "withheld"}, {"M98 Pwarm.g", "withheld"}, {"M99", "withheld"}, {"M810", "withheld"}, {"M819", "withheld"}, {"M810 M104 S400", "withheld"}, {"M1002 some_word M104 S400", "second-command"}, {"M1006 S1 M500", "second-command"}, {"M1006 S1 G28 Y", "second-command"}, {"M1006 S1 M100", "sent"}, {"M1002 TEMP=400", "nozzle-ceiling"}, {"M624 AQ==", "sent"}, {"M331 some_name", "sent"}, {"M620 M", "sent"}, {"M5 00", "unreadable"}, {"T?", "withheld"}, {"Tx", "withheld"}, {"T-1", "withheld"}, {"@pause now", "withheld"}, {"P0 S1 L1 D0", "withheld"}, {"M115 U6.2.4+8909", "sent"}, {"M140 some S90", "unreadable"},
	{"M582 T1", "withheld"}, {`M559 P"config.g"`, "withheld"}, {"M1000", "withheld"}, {"M32 warm.g", "withheld"}, {"M24", "withheld"},
	{"M42 P4 S255", "withheld"}, {"M42", "withheld"}, {"m042p4", "withheld"}, {"M64 P1", "withheld"},
	{"M500", "withheld"}, {"M500.1", "withheld"}, {"M0500", "withheld"}, {"m 5 0 0", "unreadable"}, {"N1 M500.1", "withheld"}, {"M997.1", "withheld"}, {"M112.1", "withheld"},
	{"M112(x)", "withheld"}, {"M84.1", "withheld"}, {"M18.5 S60", "withheld"}, {"M92.1 Y400", "withheld"}, {"M302.1 P1", "withheld"}, {"M500.10", "unreadable"},
	{"G28", "withheld"}, {"G028 Y", "withheld"}, {"G28.1", "withheld"}, {"G28.1 Y0", "withheld"}, {"g28y", "withheld"}, {"G1 H1 Y-500", "belt-homed"}, {"G0 Y-500 H2", "belt-homed"},
	{"G1 H0 Y5", "sent"}, {"G1 H1 X-5", "sent"}, {"M200 D1.75", "sent"}, {"M200.1 D1.75", "volumetric"}, {"M200 D0", "sent"},

	{"SET_HEATER_TEMPERATURE HEATER=extruder TARGET=400", "nozzle-ceiling"}, {"set_heat target=400", "nozzle-ceiling"}, {"WARM TARGET=+4e2", "nozzle-ceiling"},
	{"WARM TARGET=0x190", "nozzle-ceiling"}, {`WARM TARGET="400"`, "nozzle-ceiling"}, {"WARM TARGET = 400", "nozzle-ceiling"}, {"WARM TARGET= 400", "nozzle-ceiling"},
	{"WARM TARGET:400", "nozzle-ceiling"}, {"WARM,TARGET=400", "nozzle-ceiling"}, {"WARM A=1 TARGET=400 ; later", "nozzle-ceiling"}, {"N7 WARM TARGET=400", "nozzle-ceiling"},
	{"WARM TARGET={200+200}", "temperature-unclear"}, {"WARM TARGET=200", "sent"}, {"WARM HEATER=clip_bed TARGET=110", "bed-ceiling"}, {"WARM_BED TARGET=110", "bed-ceiling"},
	{"START BED=60 EXTRUDER=400", "nozzle-ceiling"}, {"START BED=110 EXTRUDER=200", "bed-ceiling"}, {"START BED=60 EXTRUDER=200", "sent"}, {"START BED=60 TEMP=220", "sent"},
	{"START BED_TEMP=60 NOZZLE_TEMPERATURE=400", "nozzle-ceiling"}, {"START BEDTEMP=110", "bed-ceiling"}, {"START CHAMBER=110", "chamber-ceiling"}, {"START EXTRUDER_FIRST=400", "nozzle-ceiling"},
	{"HEAT_NOZZLE 400", "nozzle-ceiling"}, {"HEAT_NOZZLE S400", "nozzle-ceiling"}, {"HEAT_NOZZLE S=400", "nozzle-ceiling"}, {"PREHEAT_BED_AND_NOZZLE TEMP=220", "sent"},
	{"HEAT_SOAK 600", "sent"}, {"HEAT_NOZZLE TEMP=200 TIMEOUT=600", "sent"}, {"SET_HEATER_FAN SPEED=300", "sent"}, {"SET_PRESSURE_ADVANCE EXTRUDER=extruder ADVANCE=0.05", "sent"},
	{"SET_VELOCITY_LIMIT ACCEL=3000", "sent"}, {"BED_MESH_CALIBRATE MESH_MIN=10,10 MESH_MAX=300,300", "sent"}, {"START BED_SIZE=300 NOZZLE_DISTANCE=400 EXTRUDER_SPEED=500", "sent"},
	{"MOVE TARGET_X=400", "sent"}, {"LOAD ATTEMPTS=300", "sent"}, {"SET_FILAMENT NAME=temp_400", "sent"}, {"START_PRINT", "sent"}, {"LIGHT S400", "sent"},

	{"M117 M104 S400", "sent"}, {"M106 S255", "sent"}, {"M300 S440 P200", "sent"}, {"G4 S400", "sent"}, {"M204 S3000", "sent"}, {"M220 S400", "sent"}, {"M73 P50 R400", "sent"},
	{"M301 P22.2 I1.08 D114", "sent"}, {"M116", "sent"}, {"M900 K0.05", "sent"}, {"T1", "sent"}, {"M486 S400", "sent"},
}

// outcome is what inspection of a job with the line makes of it.
func outcome(t *testing.T, o Options, line string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "clip.gcode")
	if err := os.WriteFile(path, []byte("G21\nG90\nM82\nG28 X Z\nG92 Y0 E0\nM104 S200\nG1 X5 Y5 Z1 F600\n"+line+"\nG1 Y5 X6 E5\nM104 S0\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	p, err := Inspect(context.Background(), path, o, nil)
	if err != nil {
		refusal := err.(*Refusal)
		return refusal.Problems[0].Code
	}
	for _, f := range p.Findings {
		if f.Severity == Error && f.Line == 8 {
			return f.Code
		}
	}
	for _, c := range p.Withheld {
		if c.Line == 8 {
			return "withheld"
		}
	}
	return "sent"
}

// Inspection and the judge of lines that are handed out decide alike, on every spelling.
func TestSpellings(t *testing.T) {
	o, err := upright.complete()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range spellings {
		if got := outcome(t, upright, c.line); got != c.want {
			t.Errorf("%s: %s, want %s", c.line, got, c.want)
		}
		var l gcode.Line
		got := "unreadable"
		if l.Parse([]byte(c.line)) == nil {
			switch r := o.judge(&l, l.AppendWire(nil, gcode.Spaced)); {
			case r.withhold != "":
				got = "withheld"
			case r.refuse.code != "":
				got = r.refuse.code
			default:
				got = "sent"
			}
		}
		if got != c.want {
			t.Errorf("%s when it is handed out: %s, want %s", c.line, got, c.want)
		}
	}
}

// A judge costs nothing on the heap, since it sees every line twice.
func TestJudgeAllocatesNothing(t *testing.T) {
	for _, line := range []string{"M104 S200", "M106 S127", "SET_VELOCITY_LIMIT ACCEL=3000", "G10 P0 S200", "M117 Layer 3 of 70", "M204 P900"} {
		var l gcode.Line
		if err := l.Parse([]byte(line)); err != nil {
			t.Fatal(err)
		}
		wire := []byte(line)
		if n := testing.AllocsPerRun(100, func() { upright.judge(&l, wire) }); n > 0 {
			t.Errorf("%s: %v allocations", line, n)
		}
	}
}

// Whatever a judge lets through, a reader that knows nothing of the language finds no
// heat word with a number above the ceiling in it.
func FuzzJudge(f *testing.F) {
	for _, c := range spellings {
		f.Add(c.line)
	}
	f.Fuzz(func(t *testing.T, text string) {
		var l gcode.Line
		if strings.ContainsAny(text, "\r\n") || l.Parse([]byte(text)) != nil {
			return
		}
		for _, form := range []gcode.Form{gcode.Spaced, gcode.Tight} {
			wire := l.AppendWire(nil, form)
			if r := upright.judge(&l, wire); r.withhold != "" || r.refuse.code != "" {
				continue
			}
			if c, limit := hottest(string(wire)); c > limit {
				t.Errorf("%q lets %q through, which may heat to %g C, above %g C", text, wire, c, limit)
			}
		}
	})
}

var (
	heatWord = regexp.MustCompile(`(?i)^(M0*(?:104|109|140|190|141|191|568)|G0*10)(?:\.\d*)?([^0-9].*|)$`)
	heatArg  = regexp.MustCompile(`(?i)[SRB]([+-]?[0-9.]+)`)
	namedArg = regexp.MustCompile(`(?i)\b(?:TARGET|TEMP|TEMPERATURE)=["']?[+]?(0x[0-9a-f]+|[0-9.]+(?:e[0-9]+)?)`)
)

// hottest reads a line permissively: any heat word at its beginning, and any number
// behind one of the letters of temperatures; in a line of another kind, any argument
// of a name for a temperature.
func hottest(wire string) (c, limit float64) {
	limit = 260
	if m := heatWord.FindStringSubmatch(wire); m != nil {
		if word := strings.TrimLeft(m[1][1:], "0"); word == "140" || word == "190" || word == "141" || word == "191" {
			limit = 100
		}
		for _, a := range heatArg.FindAllStringSubmatch(m[2], -1) {
			if v, err := strconv.ParseFloat(a[1], 64); err == nil {
				c = max(c, v)
			}
		}
		return c, limit
	}
	if len(wire) < 3 || regexp.MustCompile(`^[GMT] ?[0-9]`).MatchString(wire) {
		return 0, limit
	}
	for _, a := range namedArg.FindAllStringSubmatch(wire, -1) {
		if v, err := strconv.ParseFloat(a[1], 64); err == nil {
			c = max(c, v)
		} else if h, err := strconv.ParseInt(a[1], 0, 64); err == nil {
			c = max(c, float64(h))
		}
	}
	return c, limit
}
