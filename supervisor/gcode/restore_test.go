package gcode

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

var restoreOptions = RestoreOptions{BeltAxis: Y, LiftAxis: Z, ClearMM: 5, TravelFeedMMPerMin: 6000, RetractFeedMMPerMin: 2400}

func TestRestoreExample(t *testing.T) {
	to := run(t, "G21", "G90", "M82", "G28 X Z", "G92 Y0", "M109 S210", "M107", "G1 X10.5 Y33.94 Z0.2 F6000", "G92 E0", "G1 E8 F4200")
	from := to
	for _, line := range []string{"G1 X0 Y40 E12", "M106 S255", "G91", "G1 Z6.7 F3000", "M82", "G1 E4 F4200", "G92 Y33.94"} {
		mustApply(t, &from, line)
	}
	got := strings.Join(Restore(from, to, restoreOptions), "\n")
	want := strings.Join([]string{"G90", "G1 Z11.9 F6000", "G1 X10.5 F6000", "G1 Z0.2 F6000", "M83", "G1 E8 F2400", "G92 E8", "M107", "M82", "G1 F4200"}, "\n")
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if lines := Restore(to, to, restoreOptions); lines != nil {
		t.Errorf("equal states: %v", lines)
	}
}

func TestRestoreMovesTheBeltLiftedWhenItStandsWrong(t *testing.T) {
	to := run(t, "G28", "G92 Y0", "G1 X1 Y1 Z1 F600")
	from := to
	mustApply(t, &from, "G1 Y3 X2")
	got := strings.Join(Restore(from, to, restoreOptions), "\n")
	if want := "G1 Z6 F6000\nG1 Y1 F6000\nG1 X1 F6000\nG1 Z1 F6000\nG1 F600"; got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	from = to
	from.PositionMM[Y] += 9e-7 // within what counts as agreed
	if lines := Restore(from, to, restoreOptions); lines != nil {
		t.Errorf("a belt within 1e-6 mm: %v", lines)
	}
}

func TestRestoreWaitsForHeatBeforePushing(t *testing.T) {
	to := run(t, "G28", "G1 X1 Y1 Z1 F600", "M109 S210", "M190 S60")
	from := to
	for _, line := range []string{"M83", "G1 E-2", "M82", "G92 E0", "M104 S150", "M140 S0"} {
		mustApply(t, &from, line)
	}
	got := strings.Join(Restore(from, to, restoreOptions), " | ")
	if want := "M190 S60 | M109 S210 | M83 | G1 E2 F2400 | G92 E0 | M82 | G1 F600"; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// On some boards G90 changes the extruder's mode too, so the mode is said again.
func TestRestoreSaysTheExtruderModeAfterG90(t *testing.T) {
	to := run(t, "G28", "G90", "M83", "G1 X1 Y1 Z1 F600")
	from := to
	mustApply(t, &from, "G91")
	if got := strings.Join(Restore(from, to, restoreOptions), " | "); got != "G90 | M83" {
		t.Errorf("got %s", got)
	}
	if got := strings.Join(Restore(to, from, restoreOptions), " | "); got != "G91 | M83" {
		t.Errorf("got %s", got)
	}
}

// A G90 of a discharge has changed the mode on some boards and not on others.
func TestRestoreSaysTheExtruderModeThatAnEarlierG90MadeUnsure(t *testing.T) {
	to := run(t, "G28", "G90", "M83", "G1 X1 Y1 Z1 F600")
	from := to
	for _, line := range []string{"M83", "G1 E-1 F1800", "G90"} {
		mustApply(t, &from, line)
	}
	if got := strings.Join(Restore(from, to, restoreOptions), " | "); got != "M83 | G1 E1 F2400 | G1 F600" {
		t.Errorf("got %s", got)
	}
	from = to
	mustApply(t, &from, "G90")
	if got := strings.Join(Restore(from, to, restoreOptions), " | "); got != "M83" {
		t.Errorf("got %s", got)
	}
}

// Restoring must give exactly the state asked for, whatever was in force.
func TestRestoreProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := restoreOptions
		if rapid.Bool().Draw(t, "tilted") {
			o.BeltAxis, o.LiftAxis = Z, Y
		}
		from, to := drawState(t, "from"), drawState(t, "to")
		s := from
		for _, line := range Restore(from, to, o) {
			if len(line) > 90 {
				t.Fatalf("line too long for a board: %s", line)
			}
			if _, err := s.Apply([]byte(line)); err != nil {
				t.Fatalf("%s: %v", line, err)
			}
		}
		want := to
		want.OffsetMM[o.BeltAxis] = from.OffsetMM[o.BeltAxis]
		want.Homed = from.Homed
		want.ExtruderUnsure = false
		for i := range want.Settings { // what to does not know stays
			for b := range 26 {
				if want.Settings[i].Set&(1<<b) == 0 && s.Settings[i].Set&(1<<b) != 0 {
					want.Settings[i].Set |= 1 << b
					want.Settings[i].Value[b] = s.Settings[i].Value[b]
				}
			}
		}
		if !want.FanKnown {
			want.FanKnown = s.FanKnown
		}
		if s != want {
			t.Fatalf("lines %q\n got %+v\nwant %+v", Restore(from, to, o), s, want)
		}
		if again := Restore(s, to, o); again != nil {
			t.Fatalf("restored, and again: %q", again)
		}
	})
}

func drawState(t *rapid.T, name string) State {
	s := NewState()
	five := func(what string, lo, hi int) float64 { // on the five decimals that are written
		return grid(float64(rapid.IntRange(lo, hi).Draw(t, name+what)) / 1e5)
	}
	for a := X; a <= E; a++ {
		s.PositionMM[a] = five(" position", -30_000_000, 30_000_000)
		s.Known[a] = true
		if a != E {
			s.OffsetMM[a] = five(" offset", -500_000, 500_000) * float64(rapid.IntRange(0, 1).Draw(t, name+" shifted"))
			s.OffsetMM[a] = grid(s.OffsetMM[a])
		}
	}
	flag := func(what string) bool { return rapid.Bool().Draw(t, name+what) }
	s.Inches, s.Relative, s.RelativeE = flag(" inches"), flag(" relative"), flag(" relative E")
	s.ExtruderUnsure = s.Relative != s.RelativeE && flag(" unsure E")
	s.Plane = Plane(rapid.IntRange(0, 2).Draw(t, name+" plane"))
	s.Motion = MotionRapid + Motion(rapid.IntRange(0, 1).Draw(t, name+" motion"))
	s.FeedMMPerMin = grid(math.Max(0.1, five(" feed", 1, 1_000_000_000)))
	if s.FanKnown = flag(" fan known"); s.FanKnown {
		s.FanS = float64(rapid.IntRange(0, 255).Draw(t, name+" fan"))
	}
	s.FeedPercent = float64(rapid.IntRange(1, 300).Draw(t, name+" feed factor"))
	s.FlowPercent = float64(rapid.IntRange(1, 300).Draw(t, name+" flow factor"))
	s.Tool = rapid.IntRange(0, 3).Draw(t, name+" tool")
	s.NozzleTargetC = float64(rapid.SampledFrom([]int{0, 150, 200, 215}).Draw(t, name+" nozzle"))
	s.BedTargetC = float64(rapid.SampledFrom([]int{0, 50, 60}).Draw(t, name+" bed"))
	s.DrawnBackMM = math.Abs(five(" drawn back", 0, 800_000))
	s.FirmwareRetracted = flag(" G10")
	for i := range s.Settings {
		for _, letter := range "SPXE" {
			if rapid.IntRange(0, 3).Draw(t, name+" setting") == 0 {
				s.Settings[i].Set |= 1 << (letter - 'A')
				s.Settings[i].Value[letter-'A'] = five(" value", 0, 500_000_000)
			}
		}
	}
	if p := s.Setting(204); p.Set&(1<<('S'-'A')) != 0 { // S is P and T at once
		v, _ := p.Get('S')
		p.set('P', v)
		p.set('T', v)
	}
	return s
}
