package supervisor

import (
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/motion"
)

// Lines as boards write them (common practice, no source).
func TestReadLimits(t *testing.T) {
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
		var b board
		for _, text := range c.lines {
			b.tellsLimits(text)
		}
		if b.limits != c.want {
			t.Errorf("%q: %+v, want %+v", c.lines, b.limits, c.want)
		}
	}
}

// A board's limits come into the snapshot, however it tells them; one that does not
// know the words is met as before.
func TestLimitsOfTheBoard(t *testing.T) {
	for _, tells := range []rig.Telling{rig.TellByList, rig.TellByWord, rig.TellNothing} {
		inBubble(t, func(t *testing.T) {
			set := testRig()
			set.Board.Tells = tells
			x := newRun(t, set, testSettings())
			x.start()
			s := x.until(Idle, time.Minute)
			m := &set.Machine
			if tells == rig.TellNothing {
				if s.Line.Limits != nil {
					t.Errorf("told nothing, and yet %+v", *s.Line.Limits)
				}
			} else if want := (motion.Limits{SpeedMMPerS: m.MaxFeedMMPerS, AccelMMPerS2: m.MaxAccelMMPerS2, PrintAccelMMPerS2: m.AccelMMPerS2,
				TravelAccelMMPerS2: m.AccelMMPerS2, JunctionDeviationMM: m.JunctionDeviationMM}); s.Line.Limits == nil || *s.Line.Limits != want {
				t.Errorf("told %+v, want %+v", s.Line.Limits, want)
			}
			if s.Line.Firmware == "" {
				t.Error("the words after it spoilt what the board calls itself")
			}
			x.stop()
		})
	}
}
