package gcode

import (
	"strings"
	"testing"
)

// What one job has set and another does not know goes back to what the board has reported, or is
// reported as left behind.
func TestSettingsGoBackToTheBoardsOwn(t *testing.T) {
	follow := func(lines string) State {
		s := NewState()
		for line := range strings.SplitSeq(lines, "|") {
			if _, err := s.Apply([]byte(line)); line != "" && err != nil {
				t.Fatal(err)
			}
		}
		return s
	}
	for _, test := range []struct{ from, to, own, lines, left string }{
		{"M204 S250", "", "M204 P1000.00 R1500.00 T900.00", "M204 P1000 T900", ""},
		{"M204 P250 R300", "M204 P600", "M204 P1000.00 R1500.00 T900.00", "M204 P600 R1500", ""},
		{"M203 X20", "M203 X50", "M203 X500.00", "M203 X50", ""},
		{"M900 K0.08", "", "", "", "M900 K"},
		{"M900 K0.08", "M900 K0", "", "M900 K0", ""},
		{"M900 K0.08", "", "M900 K0.02", "M900 K0.02", ""},
		{"M205 X8 Y8 E5", "", "M205 B20000.00 S0.00 T0.00 J0.01", "", ""}, // has no jerk
		{"M205 X8", "", "M205 X10.00 Y10.00", "M205 X10", ""},
		{"M92 E95 Y81", "", "M92 X80.00 Y80.00 Z400.00 E93.00", "M92 E93", ""}, // Y is the belt's
		{"M572 D0 S0.05", "", "", "", "M572 D0 S"},
		{"M106 P1 S90|M106 S80|M141 S40", "", "", "M107|M106 P1 S0|M141 S0", ""},
		{"M104 T1 S180", "", "", "M104 T1 S0", ""},
		{"M104 T1 S180", "M104 T1 S190", "", "M109 T1 S190", ""},
	} {
		from, to, own := follow(test.from), follow(test.to), NewState()
		if test.own != "" && !own.ApplyReported(test.own) {
			t.Errorf("%q is not taken for a setting", test.own)
		}
		o := RestoreOptions{BeltAxis: Y, LiftAxis: Z, Own: &own}
		lines := Restore(from, to, o)
		if got := strings.Join(lines, "|"); got != test.lines {
			t.Errorf("from %q to %q, own %q: %q, want %q", test.from, test.to, test.own, got, test.lines)
		}
		if got := strings.Join(Leftovers(from, to, o), "|"); got != test.left {
			t.Errorf("from %q to %q, own %q: left %q, want %q", test.from, test.to, test.own, got, test.left)
		}
		for _, line := range lines {
			if _, err := from.Apply([]byte(line)); err != nil {
				t.Fatal(err)
			}
		}
		if again := Restore(from, to, o); len(again) > 0 {
			t.Errorf("from %q to %q, own %q: once more %q", test.from, test.to, test.own, again)
		}
	}
	for _, text := range []string{"M204", "G1 X5", "Advance K=0.05", "M114 X1", "; M204 P5", "M503 S1"} {
		if own := NewState(); own.ApplyReported(text) {
			t.Errorf("%q is taken for a setting", text)
		}
	}
}
