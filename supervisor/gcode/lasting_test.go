package gcode

import (
	"slices"
	"strings"
	"testing"
)

// What a part changes of pressure advance, shaping, a second fan, a chamber or limits set by a named
// word is as it was when the next begins. Meanings of the words are common practice of boards, no source.
func TestRestoreLastingArguments(t *testing.T) {
	before := []string{"G28", "G1 X1 Y1 Z1 F600"}
	for _, c := range []struct{ lead, body, want string }{
		{"M572 D0 S0.03", "M572 D0 S0.08", "M572 D0 S0.03"},
		{"M572 D0 S0.03", "M572 D1 S0.08", ""}, // another drive's; where it stood is not known
		{"M593 P\"zvd\" F40", "M593 F55", "M593 F40"},
		{"M593 P\"zvd\" F40", "M593 P\"none\"", "M593 P\"zvd\""},
		{"M566 X300 Y300 Z20", "M566 X600 Y300", "M566 X300"},
		{"G20\nM566 X10\nG21", "M566 X600", "M566 X254"}, // inches
		{"M106 P2 S128", "M106 P2 S64", "M106 P2 S128"},
		{"M106 P2 S128", "M107 P2", "M106 P2 S128"},
		{"", "M106 P2 S64", "M106 P2 S0"}, // a fan is off on a board that has just started
		{"", "M106 P2 S64\nM106 P2 S0", ""},
		{"", "M106 P3", "M106 P3 S0"},
		{"M141 S40", "M141 S30", "M141 S40"},
		{"M191 S40", "M141 S0", "M141 S40"},
		{"M906 X800 E600", "M906 E900", "M906 E600"},
		{"SET_PRESSURE_ADVANCE ADVANCE=0.03", "set_pressure_advance advance=0.05", "SET_PRESSURE_ADVANCE ADVANCE=0.03"},
		{"SET_PRESSURE_ADVANCE EXTRUDER=second ADVANCE=0.03", "SET_PRESSURE_ADVANCE ADVANCE=0.05", ""},
		{"SET_VELOCITY_LIMIT VELOCITY=200 ACCEL=1000", "SET_VELOCITY_LIMIT ACCEL=3000", "SET_VELOCITY_LIMIT ACCEL=1000"},
		{"SET_FAN_SPEED FAN=box SPEED=0.5", "SET_FAN_SPEED FAN=box SPEED=1", "SET_FAN_SPEED FAN=box SPEED=0.5"},
		// Heat and places are no matter of these.
		{"SET_HEATER_TEMPERATURE HEATER=box TARGET=40", "SET_HEATER_TEMPERATURE HEATER=box TARGET=50", ""},
		{"SET_GCODE_OFFSET Z=0.1", "SET_GCODE_OFFSET Z=0.2", ""},
		{"SET_DISPLAY_TEXT MSG=clip", "SET_DISPLAY_TEXT MSG=peg", ""},
	} {
		to := run(t, append(slices.Clone(before), strings.Split(c.lead, "\n")...)...)
		from := to
		for _, line := range strings.Split(c.body, "\n") {
			mustApply(t, &from, line)
		}
		lines := Restore(from, to, restoreOptions)
		if got := strings.Join(lines, "\n"); got != c.want {
			t.Errorf("%q, then %q: restored by %q, want %q", c.lead, c.body, got, c.want)
		}
		for _, line := range lines {
			mustApply(t, &from, line)
		}
		if again := Restore(from, to, restoreOptions); again != nil {
			t.Errorf("%q, then %q: restored, and again: %q", c.lead, c.body, again)
		}
	}
}

func TestLastingIsBounded(t *testing.T) {
	s := NewState()
	for k := range 2000 {
		mustApply(t, &s, "SET_FAN_SPEED FAN=f"+number(float64(k))+" SPEED=1")
	}
	if n := len(s.Lasting.lines); n > maxLastingBytes {
		t.Errorf("%d bytes are kept", n)
	}
}

// Each tool has its nozzle's target once a line names a nozzle by its tool; before that, all tools share one.
func TestNozzlesByTool(t *testing.T) {
	for _, c := range []struct {
		lines string
		wantC float64
	}{
		{"M104 S200\nT1", 200},
		{"M104 S200\nM104 T1 S215\nT1", 215},
		{"M104 S200\nM104 T1 S215\nT1\nM104 S0\nT0", 200},
		{"M104 T1 S215\nT1", 215},
		{"M104 T0 S200\nT1", 200},          // names the one in use
		{"M104 S200\nM104 T2 S215\nT1", 0}, // never heated
		{"G10 P1 S215 R180\nT1", 215},
		{"M568 P1 S215 R180 A2\nT1", 215},
		{"M568 S205", 205},
		{"M104 S200\nM104 T1 S215\nT12", 200},
	} {
		s := run(t, strings.Split(c.lines, "\n")...)
		if s.NozzleTargetC != c.wantC {
			t.Errorf("%q: %g C, want %g", c.lines, s.NozzleTargetC, c.wantC)
		}
	}
	to := run(t, "G28", "G1 X1 Y1 Z1 F600", "M109 S200", "M109 T1 S215", "M83")
	from := to
	for _, line := range []string{"T1", "M104 T0 S150", "M104 S190"} {
		mustApply(t, &from, line)
	}
	lines := Restore(from, to, restoreOptions)
	if got := strings.Join(lines, " | "); got != "T0 | M109 T1 S215 | M109 S200" {
		t.Errorf("got %s", got)
	}
	for _, line := range lines {
		mustApply(t, &from, line)
	}
	if from != to {
		t.Errorf("got %+v\nwant %+v", from, to)
	}
}
