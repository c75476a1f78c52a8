package rig

import (
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// The closed form against a step-by-step integration of the heat balance.
func TestHeatClosedForm(t *testing.T) {
	h := heater{Heater: Heater{PowerW: 40, HeatJPerK: 18, LossWPerK: 0.12, MaxC: 290}, ambient: 22, tempC: 22}
	h.set(0, 210)
	temp := 22.0
	const step = 0.001
	target := 210.0
	for i := range 400_000 {
		now := float64(i+1) * step
		power := 0.0
		if temp < target {
			power = 40
		}
		temp += step * (power - 0.12*(temp-22)) / 18
		at := time.Duration(now * 1e9)
		switch i {
		case 200_000:
			target = 60
			h.set(at, 60)
		case 10_000, 60_000, 100_000, 150_000, 210_000, 250_000, 399_999:
			near(t, "temperature after "+at.String(), h.at(at), temp, 0.05)
		}
	}
}

func TestHeatWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, nil)
		h.lines()
		// To 209.5 from 22: tau ln((355.33-22)/(355.33-209.5)), tau = 18/0.12 s.
		end := 22 + 40/0.12
		want := 150 * math.Log((end-22)/(end-209.5))
		begin := time.Now()
		said := h.do("M109 S210")
		near(t, "heating", time.Since(begin).Seconds(), want, 0.02)
		if n := len(said); n < int(want) {
			t.Errorf("%d lines while heating for %.0f s, want temperatures every second", n, want)
		}
		if f, _, _, _ := r.Temperatures(); math.Abs(f-209.5) > 0.01 {
			t.Errorf("nozzle %v", f)
		}
		begin = time.Now()
		h.do("M109 S100") // S does not wait for cooling
		if d := time.Since(begin); d > time.Second {
			t.Errorf("S waited %v to cool", d)
		}
		h.do("M104 S0")
		begin = time.Now()
		h.do("M109 R60") // R does
		if d := time.Since(begin); d < 100*time.Second {
			t.Errorf("R waited only %v to cool", d)
		}
		<-time.After(100 * time.Second)
		if got := h.do("M105"); len(got) != 1 || !strings.HasPrefix(got[0], "ok T:60.00 /60.00 B:22.00 /0.00 @:") {
			t.Errorf("M105: %q", got)
		}
		if got := h.do("M104 S900"); len(got) != 1 || !strings.HasPrefix(got[0], "Error:") {
			t.Errorf("absurd target: %q", got)
		}
	})
}

func TestReports(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, h := open(t, nil)
		h.lines()
		h.do("M155 S2", "M154 S5")
		begin := time.Now()
		temps, positions := 0, 0
		for time.Since(begin) < 21*time.Second {
			switch s := h.line(10 * time.Second); {
			case strings.HasPrefix(s, "T:"):
				temps++
			case strings.HasPrefix(s, "X:"):
				positions++
			default:
				t.Errorf("unexpected %q", s)
			}
		}
		if temps != 11 || positions != 4 { // the last is that of 22 s
			t.Errorf("%d temperature and %d position reports in 22 s", temps, positions)
		}
		h.do("M155 S0", "M154 S0")
		if got := h.lines(); got != nil {
			t.Errorf("still reporting: %q", got)
		}
		h.do("M92 Z401.5")
		if got := strings.Join(h.do("M503"), "\n"); !strings.Contains(got, "M92 X80.00 Y80.00 Z401.50 E95.00") {
			t.Errorf("M503: %s", got)
		}
		if got := strings.Join(h.do("M115"), "\n"); !strings.Contains(got, "Cap:AUTOREPORT_TEMP:1") {
			t.Errorf("M115: %s", got)
		}
		for send, want := range map[string]string{"M808 L5": "M808", "M999": "unknown", "hello": "unknown"} {
			if got := h.do(send); len(got) != 1 || !strings.Contains(got[0], want) {
				t.Errorf("%s: %q", send, got)
			}
		}
	})
}

// Words that heat a tool act on the one that there is, and are unknown for others. G10 alone is another word.
func TestHeatByTool(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, nil)
		h.lines()
		for _, c := range []struct {
			line    string
			targetC float64
			unknown uint64
		}{
			{"G10 P0 S50 R40", 50, 0}, {"M568 P0 S55 A2", 55, 0}, {"M568 S60", 60, 0}, {"M104 T0 S65", 65, 0},
			{"M104 T1 S0", 65, 1}, {"M109 T1 S0", 65, 2}, {"G10 P1 S0", 65, 3}, {"M568 P1 S0", 65, 4}, {"G10", 65, 5}, {"G10 S1", 65, 6}, {"G10 L2 P0 S1", 65, 7},
		} {
			h.do(c.line)
			if _, target, _, _ := r.Temperatures(); target != c.targetC || r.Figures().UnknownCommands != c.unknown {
				t.Errorf("%s: target %g, %d words unknown, want %g and %d", c.line, target, r.Figures().UnknownCommands, c.targetC, c.unknown)
			}
		}
	})
}
