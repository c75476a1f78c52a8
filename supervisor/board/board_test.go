package board

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/motion"
)

// hear lets a board with the belt on Y say lines; nothing was sent to it before.
func hear(b *Board, lines ...string) {
	for _, text := range lines {
		b.Handle(serialio.ParseReply([]byte(text)), 'Y', gcode.NewState())
	}
}

// TestLimits: lines as boards write them (common practice, no source).
func TestLimits(t *testing.T) {
	axes := func(x, y, z, e float64) [motion.Axes]float64 { return [motion.Axes]float64{x, y, z, e} }
	for _, c := range []struct {
		lines []string
		want  motion.Limits
	}{
		{[]string{"echo:Maximum feedrates (units/s):", "echo:  M203 X500.00 Y400.00 Z5.00 E25.00"}, motion.Limits{SpeedMMPerS: axes(500, 400, 5, 25)}},
		{[]string{"  M203 X300 Y300 Z15 E60 ; (units/s)"}, motion.Limits{SpeedMMPerS: axes(300, 300, 15, 60)}},
		{[]string{"M203 X12000 Y12000 Z1200 E3600"}, motion.Limits{SpeedMMPerS: axes(200, 200, 20, 60)}}, // mm/min
		{[]string{"M201 X1000 Y900 Z100 E5000"}, motion.Limits{AccelMMPerS2: axes(1000, 900, 100, 5000)}},
		{[]string{"M204 P500.00 R1000.00 T700.00"}, motion.Limits{PrintAccelMMPerS2: 500, RetractAccelMMPerS2: 1000, TravelAccelMMPerS2: 700}},
		{[]string{"M204 S800.00 T3000.00"}, motion.Limits{PrintAccelMMPerS2: 800, RetractAccelMMPerS2: 3000, TravelAccelMMPerS2: 800}},
		{[]string{"M205 B20000.00 S0.00 T0.00 J0.02"}, motion.Limits{JunctionDeviationMM: 0.02}},
		{[]string{"M205 S0.00 T0.00 B20000 X8.00 Y8.00 Z0.40 E5.00"}, motion.Limits{CornerMMPerS: axes(8, 8, 0.4, 5)}},
		{[]string{"M205 X8 Y8", "M205 J0.013"}, motion.Limits{JunctionDeviationMM: 0.013}},
		{[]string{"G20", "M203 X19.7 Y19.7"}, motion.Limits{}},
		{[]string{"G20", "G21 ; mm", "M201 X5"}, motion.Limits{AccelMMPerS2: axes(5, 0, 0, 0)}},
		{[]string{`unknown command "M203"`, "echo:M92 X80.00", "M2030 X1", "M203", "M203 XNaN Y-4 ZInf E", "M206 X0"}, motion.Limits{}},
	} {
		b := New(true)
		hear(&b, c.lines...)
		if b.Limits != c.want {
			t.Errorf("%q: %+v, want %+v", c.lines, b.Limits, c.want)
		}
		if l := b.KnownLimits(); (l == nil) != (c.want == motion.Limits{}) || l != nil && (*l != c.want || l == &b.Limits) {
			t.Errorf("%q: known limits %+v, want a copy of %+v", c.lines, l, c.want)
		}
	}
}

// TestStepsOfTheBelt: the steps/mm of the belt axis are found in a list of settings, and are waited for anew
// once they are being changed (lines as boards write them; common practice, no source).
func TestStepsOfTheBelt(t *testing.T) {
	for text, want := range map[string]float64{
		"echo: M92 X80.00 Y85.20 Z400.00 E93.00": 85.2,
		"echo:  M92 X80.00 Z400.00":              0, // no belt axis
		"M92 X80 Y-3":                            0,
		"M92 X80 Yabc":                           0,
		`echo:Unknown command: "M92"`:            0,
		"ok":                                     0,
	} {
		var b Board // says it before the link is up
		hear(&b, text)
		if b.StepsPerMM != want {
			t.Errorf("%q: %g steps/mm, want %g", text, b.StepsPerMM, want)
		}
		if b.ForgetSteps(); b.StepsPerMM != 0 {
			t.Errorf("%q: %g steps/mm are still known", text, b.StepsPerMM)
		}
	}
}

// TestOwnSettings: a setting is the board's own where the board has restarted since anybody sent it lines, and none
// of ours can have set it.
func TestOwnSettings(t *testing.T) {
	const line = "echo:  M204 P1000.00 R1500.00 T900.00"
	sent := gcode.NewState()
	if _, err := sent.Apply([]byte("M204 P250")); err != nil {
		t.Fatal(err)
	}
	lasting := gcode.NewState()
	if _, err := lasting.Apply([]byte("M572 D0 S0.05")); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		fresh  bool
		before string
		line   string
		since  gcode.State
		own    bool
	}{
		{"restarted", true, "", line, gcode.NewState(), true},
		{"used by somebody before", false, "", line, gcode.NewState(), false},
		{"in inches", true, "echo:  G20 ; Units in inches", line, gcode.NewState(), false},
		{"set by a line of ours", true, "", line, sent, false},
		{"another setting of ours", true, "", line, lasting, true},
		{"an argument of a named word", true, "", "M572 D0 S0.02", gcode.NewState(), true},
		{"an argument of such a word, after one of ours", true, "", "M572 D0 S0.02", lasting, false},
	} {
		b := New(c.fresh)
		hear(&b, c.before)
		b.Handle(serialio.ParseReply([]byte(c.line)), 'Y', c.since)
		want := gcode.NewState()
		if c.own {
			want.ApplyReported(strings.TrimPrefix(c.line, "echo:  "))
		}
		if b.OwnSettings.Settings != want.Settings || b.OwnSettings.Lasting != want.Lasting {
			t.Errorf("%s: own settings %+v %q, want %+v %q", c.name, b.OwnSettings.Settings, b.OwnSettings.Lasting.Lines(), want.Settings, want.Lasting.Lines())
		}
	}
}

// TestAbilities: what a board can do is what it says, and each of the questions stands alone, so that it changes nothing.
func TestAbilities(t *testing.T) {
	b := New(true)
	if b.Emergency() || b.CanReport() {
		t.Error("it can do what it did not say")
	}
	hear(&b, "Cap:EMERGENCY_PARSER:1", "Cap:AUTOREPORT_TEMP:1")
	if !b.Emergency() || !b.CanReport() {
		t.Error("it cannot do what it said")
	}
	hear(&b, "Cap:EMERGENCY_PARSER:0", "Cap:AUTOREPORT_TEMP:0")
	if b.Emergency() || b.CanReport() {
		t.Error("it can do what it took back")
	}
	for _, q := range Questions() {
		s := gcode.NewState()
		if _, err := s.Apply([]byte(q)); err != nil {
			t.Fatal(err)
		}
		if s.Settings != gcode.NewState().Settings || s.PositionMM != gcode.NewState().PositionMM {
			t.Errorf("%s changes the machine", q)
		}
	}
}

// TestDiffers compares a board with the one that was recorded.
func TestDiffers(t *testing.T) {
	const firmware = "FIRMWARE_NAME:Clipworks 2.1 PROTOCOL_VERSION:1.0 MACHINE_TYPE:Belt"
	was := New(true)
	hear(&was, firmware, "Cap:EMERGENCY_PARSER:1", "Cap:AUTOREPORT_TEMP:1", "Cap:Z_PROBE:0", "echo: M92 Y80.00")
	known := was.Seen("/dev/serial/by-id/belt")
	if known.Port != "/dev/serial/by-id/belt" || known.Firmware != firmware || known.StepsPerMM != 80 || len(known.Capabilities) != 3 {
		t.Fatalf("recorded as %+v", known)
	}
	for _, c := range []struct {
		name  string
		lines []string
		known ledger.BoardSeen
		list  []string
		is    bool
	}{
		{"the same", []string{firmware, "Cap:EMERGENCY_PARSER:1", "Cap:AUTOREPORT_TEMP:1", "M92 Y80"}, known, nil, true},
		{"other steps", []string{firmware, "Cap:EMERGENCY_PARSER:1", "Cap:AUTOREPORT_TEMP:1", "M92 Y80.1"}, known, nil, false},
		{"other abilities", []string{firmware, "Cap:AUTOREPORT_TEMP:1", "Cap:Z_PROBE:1", "M92 Y80"}, known,
			[]string{"the board's capabilities have changed: EMERGENCY_PARSER is gone, Z_PROBE is new"}, false},
		{"another name", []string{"FIRMWARE_NAME:Clipworks 3", "Cap:EMERGENCY_PARSER:1", "Cap:AUTOREPORT_TEMP:1", "M92 Y80"}, known,
			[]string{fmt.Sprintf("the board identifies as %q; at its last run it was %q", "FIRMWARE_NAME:Clipworks 3", firmware)}, false},
		{"one that had no name", []string{firmware}, ledger.BoardSeen{}, nil, false},
		{"nothing said", nil, ledger.BoardSeen{}, nil, true},
	} {
		b := New(true)
		hear(&b, c.lines...)
		if list := b.Differs(&c.known); !slices.Equal(list, c.list) {
			t.Errorf("%s: differs in %q, want %q", c.name, list, c.list)
		}
		if is := b.Matches(&c.known); is != c.is {
			t.Errorf("%s: nothing new to record: %t, want %t", c.name, is, c.is)
		}
	}
	if hear(&was, "Cap:Z_PROBE:1"); was.Matches(&known) {
		t.Error("what the board says later has altered what was recorded of it")
	}
}

// TestMessages: of a board that repeats itself ten messages a minute are kept, the tenth with word of it.
func TestMessages(t *testing.T) {
	b := New(true)
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for minute := range 2 {
		var kept []string
		for range 50 {
			if text := b.KeepMessage(now, "probe failed"); text != "" {
				kept = append(kept, text)
			}
			now = now.Add(time.Second)
		}
		if len(kept) != 10 || kept[0] != "probe failed" || kept[9] != "the board sends more messages than are kept: probe failed" {
			t.Errorf("minute %d: kept %q", minute, kept)
		}
		now = now.Add(20 * time.Second)
	}
}
