package gcode

import (
	"math"
	"testing"
	"time"
)

// NISTIR 6556, 3.5.18, example: at X4 with offset 0, G92 X7 makes the offset -3,
// and G92 X9 then -5.
func TestG92Example(t *testing.T) {
	s := NewState()
	mustApply(t, &s, "G28")
	mustApply(t, &s, "G1 X4 F600")
	mustApply(t, &s, "G92 X7")
	near(t, "first offset", s.OffsetMM[X], -3, 0)
	mustApply(t, &s, "G91") // G91 has no effect on G92, 3.5.18
	mustApply(t, &s, "G92 X9")
	near(t, "second offset", s.OffsetMM[X], -5, 0)
	near(t, "coordinate", s.PositionMM[X], 9, 0)
	near(t, "machine", s.MachineMM(X), 4, 0)
	near(t, "unnamed axis", s.OffsetMM[Y], 0, 0)
}

// Without an axis word every coordinate becomes zero (common practice of boards,
// no source; an error in NISTIR 6556).
func TestG92All(t *testing.T) {
	s := run(t, "G28", "G1 X1 Y2 Z3 E4 F600", "G92")
	if s.PositionMM != [4]float64{} || s.OffsetMM != [3]float64{1, 2, 3} {
		t.Errorf("got %v, offsets %v", s.PositionMM, s.OffsetMM)
	}
}

func TestModes(t *testing.T) {
	// 1 inch is 25.4 mm by definition; F is length units per minute (NISTIR 6556, 3.5.19).
	s := run(t, "G28", "G20", "G1 X1 Y-2 E.1 F10", "G91", "M83", "G1 X1 E.1", "G21", "G0 X1 E1")
	near(t, "X", s.PositionMM[X], 51.8, 1e-12)
	near(t, "Y", s.PositionMM[Y], -50.8, 1e-12)
	near(t, "E", s.PositionMM[E], 6.08, 1e-12)
	near(t, "feed", s.FeedMMPerMin, 254, 1e-12)
	if s.Motion != MotionRapid || !s.Relative || !s.RelativeE || s.Inches {
		t.Errorf("modes: %+v", s)
	}
	s = run(t, "G28", "M83", "G1 E5", "G1 X1 E-2", "M82", "G1 E4") // E is 3, goes to 4
	near(t, "E after M82", s.PositionMM[E], 4, 0)
	near(t, "drawn back", s.DrawnBackMM, 1, 1e-12)
}

func TestRelativeSumsLeaveNoResidue(t *testing.T) {
	s := run(t, "G28", "G91", "M83")
	for range 1_000_000 {
		mustApply(t, &s, "G1 X0.1 E0.00001")
	}
	if s.PositionMM[X] != 100000 || s.PositionMM[E] != 10 {
		t.Errorf("got X %v, E %v", s.PositionMM[X], s.PositionMM[E])
	}
}

func TestEffects(t *testing.T) {
	s := run(t, "G28", "G1 X0 Y0 Z0.2 F1200", "G92 E0")
	e := mustApply(t, &s, "G1 X3 Y4 E2")
	if !e.Extruding || e.PathMM != 5 || e.ExtrudedMM != 2 || e.Duration != 250*time.Millisecond {
		t.Errorf("extruding move: %+v", e)
	}
	if e = mustApply(t, &s, "G1 E5 F60"); e.Extruding || e.PathMM != 3 || e.Duration != 3*time.Second {
		t.Errorf("prime: %+v", e)
	}
	if e = mustApply(t, &s, "G1 X0 Y0 E1"); e.Extruding || e.ExtrudedMM != -4 || s.DrawnBackMM != 4 {
		t.Errorf("wipe: %+v", e)
	}
	mustApply(t, &s, "M221 S50")
	if e = mustApply(t, &s, "G1 X1 E3"); e.ExtrudedMM != 1 || s.DrawnBackMM != 3 {
		t.Errorf("half the flow: %+v, %v", e, s.DrawnBackMM)
	}
	mustApply(t, &s, "M220 S200")
	if e = mustApply(t, &s, "G1 X3"); e.FeedMMPerMin != 120 || e.Duration != time.Second {
		t.Errorf("twice the speed: %+v", e)
	}
	if e = mustApply(t, &s, "G4 P1500"); e.Kind != KindDwell || e.Duration != 1500*time.Millisecond {
		t.Errorf("dwell: %+v", e)
	}
	if e = mustApply(t, &s, "G4 S2"); e.Duration != 2*time.Second {
		t.Errorf("dwell: %+v", e)
	}
	if e = mustApply(t, &s, "M600"); e.Kind != KindUnknown || e.Lost {
		t.Errorf("unknown: %+v", e)
	}
	if e = mustApply(t, &s, "G29"); e.Kind != KindUnknown || !e.Lost || s.Known[X] || !s.Known[E] {
		t.Errorf("probing: %+v", e)
	}
	if e = mustApply(t, &s, "M808 L5"); e.Kind != KindRepeat || e.Value != 5 {
		t.Errorf("repeat: %+v", e)
	}
	if e = mustApply(t, &s, "G1 X1 F0"); s.FeedMMPerMin != 60 {
		t.Errorf("F0 must not count: %v", s.FeedMMPerMin)
	}
}

func TestMachineWords(t *testing.T) {
	s := run(t, "M104 S210", "M140 S60", "M106", "M204 P1500 T2000", "M205 X8", "M92 E93.5", "T1", "M109 R190 T0", "G18", "G10")
	if s.NozzleTargetC != 210 || s.BedTargetC != 60 || s.FanS != 255 || !s.FanKnown || s.Tool != 1 || s.Plane != PlaneXZ || !s.FirmwareRetracted {
		t.Errorf("got %+v", s)
	}
	if v, ok := s.Setting(204).Get('P'); !ok || v != 1500 {
		t.Error("M204 P lost")
	}
	both, begin := run(t, "M204 P1500 T2000", "M204 S800"), run(t, "M204 P1500 T2000")
	if got := Restore(both, begin, restoreOptions); len(got) != 1 || got[0] != "M204 P1500 T2000" {
		t.Errorf("after M204 S800: %q", got)
	}
	if v, ok := s.Setting(92).Get('E'); !ok || v != 93.5 {
		t.Error("M92 E lost")
	}
	s2 := run(t, "G20", "M203 X10", "M92 X2032")
	if v, _ := s2.Setting(203).Get('X'); math.Abs(v-254) > 1e-9 {
		t.Errorf("M203 in inches: %v mm/s", v)
	}
	if v, _ := s2.Setting(92).Get('X'); v != 2032 {
		t.Errorf("steps per unit must stay as written: %v", v)
	}
	mustApply(t, &s, "G28 X")
	if !s.Homed[X] || s.Homed[Y] {
		t.Error("homing X alone")
	}
	mustApply(t, &s, "M84")
	if s.Homed[X] || s.Known[X] {
		t.Error("motors off must forget the position")
	}
	for _, line := range []string{"M220 S0", "M221 S-5", "M104 S-1", "M106 S-1", "G4 P-1"} {
		if _, err := s.Apply([]byte(line)); err == nil {
			t.Errorf("%s accepted", line)
		}
	}
}

func run(t testing.TB, lines ...string) State {
	t.Helper()
	s := NewState()
	for _, line := range lines {
		mustApply(t, &s, line)
	}
	return s
}
