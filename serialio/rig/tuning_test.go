package rig

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// Steps per millimetre survive a restart only when they were stored.
func TestStoredSteps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Speed = 0 })
		steps := func() string { return h.do("M92")[0] }
		restart := func() {
			h.lines()
			r.Reset()
			h.lines()
			h.n = 0
		}
		h.lines()
		h.do("M92 Z410")
		if got := steps(); !strings.Contains(got, "Z410.00") {
			t.Errorf("set: %q", got)
		}
		restart()
		if got := steps(); !strings.Contains(got, "Z400.00") {
			t.Errorf("not stored, after a restart: %q", got)
		}
		h.do("M92 Z410", "M500")
		restart()
		if got := steps(); !strings.Contains(got, "Z410.00") {
			t.Errorf("stored, after a restart: %q", got)
		}
		h.do("M92 Z1", "M501")
		if got := steps(); !strings.Contains(got, "Z410.00") {
			t.Errorf("read back: %q", got)
		}
	})
}

// 100 mm with an axis limit of 50 mm/s and 500 mm/s^2: 100/50 + 50/500 s.
func TestSpeedLimits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, h := open(t, nil)
		h.lines()
		h.do("M203 X50", "M201 X500", "G1 X100 F12000")
		begin := time.Now()
		h.do("M400")
		near(t, "by the axis", time.Since(begin).Seconds(), 2.1, 1e-6)
		h.do("M203 X200", "M201 X9000", "M204 S250", "M205 J0", "G1 X0 F3000")
		begin = time.Now()
		h.do("M400")
		near(t, "by M204", time.Since(begin).Seconds(), 2.2, 1e-6)
		if got := strings.Join(h.do("M503"), "\n"); !strings.Contains(got, "M204 P250.00") || !strings.Contains(got, "M205 J0.000") {
			t.Errorf("%s", got)
		}
	})
}

func TestMotorsOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Board.LimitMM[X] = [2]float64{0, 100} })
		h.lines()
		h.do("G1 Z10 F600", "M84 X E", "M400")
		if n := r.Figures().MotorReleases; n != 0 {
			t.Error("M84 X E released the belt")
		}
		h.do("M18")
		f := r.Figures()
		if f.MotorReleases != 1 || len(f.Damage) != 1 {
			t.Errorf("figures %+v", f)
		}
		near(t, "all moves had ended before", f.BeltTravelMM, 11.5, 1e-9)
		h.do("M211 S0", "G1 X150 F6000")
		if got := h.do("M114"); !strings.HasPrefix(got[0], "X:150.00") {
			t.Errorf("limits off: %q", got)
		}
	})
}

// A target that the heater cannot reach keeps the board busy for ever, at full speed
// by the wall's clock.
func TestUnreachableHeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, h := open(t, func(s *Settings) { s.Speed, s.Machine.Nozzle.PowerW, s.Board.HeatReports = 0, 10, false })
		h.lines()
		begin := time.Now()
		h.raw(frame(1, "M109 S200"))
		for range 10 {
			if got := h.line(time.Minute); got != "busy: processing" {
				t.Fatalf("%q", got)
			}
		}
		near(t, "ten busy reports", time.Since(begin).Seconds(), 20, 0.1)
		h.raw("M108\n")
		if got := h.line(time.Minute); got != "ok" {
			t.Errorf("%q", got)
		}
	})
}

func TestCableOutAndIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Board.ResetOnOpen = false })
		h.do("M118 hello there")
		h.raw("N2 G92 X") // half a line is in the board when the cable comes out
		<-time.After(time.Second)
		r.Unplug()
		if got := h.line(time.Second); !strings.HasPrefix(got, "read: ") {
			t.Errorf("%q", got)
		}
		<-time.After(time.Hour)
		if _, err := r.Open(t.Context(), settingsOf("rig")); err == nil {
			t.Fatal("opened without a cable")
		}
		r.Replug()
		h.reopen(r)
		h.n = 1
		h.raw(frame(2, "G92 X3")) // forms a mixture with it
		if got := h.lines(); len(got) != 3 || got[1] != "Resend: 2" {
			t.Errorf("%q", got)
		}
		h.do("G92 X3")
		if f := r.Figures(); f.DamagedLines != 1 || f.LinesAccepted != 2 {
			t.Errorf("figures %+v", f)
		}
	})
}
