package rig

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/serialio"
)

func TestParseFault(t *testing.T) {
	for text, want := range map[string]Fault{
		"reset@line=500":             {Kind: Reset, Line: 500},
		"unplug@time=1m30s,for=5s":   {Kind: Unplug, At: 90 * time.Second, For: 5 * time.Second},
		"flip@rate=0.0001":           {Kind: Flip, Rate: 1e-4},
		"drop@rate=0.5,way=host":     {Kind: Drop, Rate: 0.5, Way: ToHost},
		"no-heat@heater=bed":         {Kind: NoHeat, Bed: true},
		"unplug@line=3,restart=true": {Kind: Unplug, Line: 3, Restart: true},
		"lose-ok":                    {Kind: LoseOk},
	} {
		got, err := ParseFault(text)
		if err != nil || got != want {
			t.Errorf("%q: %+v, %v", text, got, err)
		}
		if back, err := ParseFault(got.String()); err != nil || back != got {
			t.Errorf("%q writes as %q", text, got)
		}
	}
	for text, want := range map[string]string{
		"explode":              "kind \"explode\" is unknown",
		"flip@rate=2":          "between 0 and 1",
		"flip@rate=x,way=up":   "way \"up\" must be one of",
		"silence@time=3s":      "needs a duration",
		"reset@for=3s":         "does not last",
		"reset@line=1,time=1s": "not several",
		"reset@line=1,line=2":  "comes twice",
		"reset@when=now":       "key \"when\"",
		"reset@":               "key \"\"",
		"lose-ok@way=host":     "has no way",
		"busy@for=-1s":         "must not be negative",
	} {
		if _, err := ParseFault(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v does not say %q", text, err, want)
		}
	}
}

// inject makes a fault happen on an idle board in step at line 1.
func inject(t *testing.T, f Fault, then func(t *testing.T, r *Rig, h *host)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Board.HeatReports = false })
		h.lines()
		h.do("G92 X1")
		if err := r.Inject(f); err != nil {
			t.Fatal(err)
		}
		then(t, r, h)
		if n := r.Figures().Faults[f.Kind.String()]; n != 1 {
			t.Errorf("%v counted %d times", f.Kind, n)
		}
	})
}

func TestByteFaults(t *testing.T) {
	for _, kind := range []FaultKind{Flip, Drop, Double} {
		inject(t, Fault{Kind: kind, Way: ToBoard}, func(t *testing.T, r *Rig, h *host) {
			h.raw(frame(2, "G92 X2"))
			got := h.lines()
			if len(got) != 3 || got[1] != "Resend: 2" {
				t.Errorf("%v: %q", kind, got)
			}
			if f := r.Figures(); f.DamagedLines != 1 || f.DamagedAccepted != 0 || f.Rejected != 1 {
				t.Errorf("%v: figures %+v", kind, f)
			}
		})
		inject(t, Fault{Kind: kind, Way: ToHost}, func(t *testing.T, r *Rig, h *host) {
			h.raw(frame(2, "G92 X2"))
			if got := h.lines(); slices.Equal(got, []string{"ok"}) {
				t.Errorf("%v: the ok came through whole", kind)
			}
			if f := r.Figures(); f.LinesAccepted != 2 || f.DamagedLines != 0 {
				t.Errorf("%v: figures %+v", kind, f)
			}
		})
	}
	for _, way := range []Direction{ToBoard, ToHost} {
		inject(t, Fault{Kind: Delay, For: 3 * time.Second, Way: way}, func(t *testing.T, r *Rig, h *host) {
			begin := time.Now()
			h.do("G92 X2")
			near(t, "delay", time.Since(begin).Seconds(), 3, 0.01)
		})
	}
}

func TestReplyFaults(t *testing.T) {
	bad := "N2 M105*0\n"
	inject(t, Fault{Kind: LoseOk}, func(t *testing.T, r *Rig, h *host) {
		h.raw(frame(2, "G92 X2"))
		if got := h.lines(); got != nil {
			t.Errorf("%q", got)
		}
		h.raw(frame(2, "G92 X2"))
		if got := h.lines(); len(got) != 3 || got[1] != "Resend: 3" {
			t.Errorf("%q", got)
		}
	})
	inject(t, Fault{Kind: LoseResend}, func(t *testing.T, r *Rig, h *host) {
		h.raw(bad)
		if got := h.lines(); len(got) != 2 || got[1] != "ok" {
			t.Errorf("%q", got)
		}
	})
	inject(t, Fault{Kind: RepeatResend}, func(t *testing.T, r *Rig, h *host) {
		h.raw(bad)
		if got := h.lines(); len(got) != 4 || got[2] != "Resend: 2" {
			t.Errorf("%q", got)
		}
	})
	inject(t, Fault{Kind: Garbage}, func(t *testing.T, r *Rig, h *host) {
		if got := h.lines(); len(got) == 0 {
			t.Error("no garbage")
		}
		h.do("G92 X2")
	})
}

func TestBoardFaults(t *testing.T) {
	inject(t, Fault{Kind: Silence, For: 10 * time.Second}, func(t *testing.T, r *Rig, h *host) {
		begin := time.Now()
		if got := h.do("M114"); len(got) != 1 {
			t.Errorf("%q", got)
		}
		near(t, "silence", time.Since(begin).Seconds(), 10, 0.1)
	})
	inject(t, Fault{Kind: Busy, For: 10 * time.Second}, func(t *testing.T, r *Rig, h *host) {
		got := h.do("M400")
		if len(got) != 4 || got[0] != "busy: processing" {
			t.Errorf("%q", got)
		}
		if got := h.lines(); got != nil {
			t.Errorf("still busy: %q", got)
		}
	})
	inject(t, Fault{Kind: Reset}, func(t *testing.T, r *Rig, h *host) {
		if got := h.line(time.Minute); got != "start" {
			t.Errorf("%q", got)
		}
		h.lines()
		h.n = 0 // the board has forgotten number and position
		if got := h.do("M114"); !strings.HasPrefix(got[0], "X:0.00") {
			t.Errorf("%q", got)
		}
	})
	inject(t, Fault{Kind: HeaterFault}, func(t *testing.T, r *Rig, h *host) {
		if got := h.lines(); len(got) != 1 || !strings.Contains(got[0], "halted") {
			t.Errorf("%q", got)
		}
	})
}

func TestThermalFaults(t *testing.T) {
	inject(t, Fault{Kind: NoHeat, At: time.Minute}, func(t *testing.T, r *Rig, h *host) {
		h.do("M104 S200")
		<-time.After(55 * time.Second)
		before, _, _, _ := r.Temperatures()
		<-time.After(time.Minute)
		after, target, _, _ := r.Temperatures()
		if target != 200 || after >= before || before < 100 {
			t.Errorf("%v then %v, target %v", before, after, target)
		}
	})
	inject(t, Fault{Kind: StuckSensor, At: time.Minute}, func(t *testing.T, r *Rig, h *host) {
		h.do("M104 S200")
		<-time.After(10 * time.Minute)
		got := h.do("M105")
		shown, _ := strconv.ParseFloat(strings.Fields(got[0])[1][2:], 64)
		truth, _, _, _ := r.Temperatures()
		if shown > 190 || truth < 300 || !strings.Contains(got[0], "@:127") {
			t.Errorf("shows %v, is %v: %q", shown, truth, got)
		}
	})
}

func TestHeatNobodyAskedFor(t *testing.T) {
	inject(t, Fault{Kind: FullHeat, At: time.Minute}, func(t *testing.T, r *Rig, h *host) {
		h.do("M104 S100")
		<-time.After(10 * time.Minute)
		h.do("M104 S0")
		<-time.After(time.Minute)
		truth, target, _, _ := r.Temperatures()
		if got := h.do("M105"); truth < 300 || target != 0 || !strings.Contains(got[0], "@:0") {
			t.Errorf("is %v, target %v: %q", truth, target, got)
		}
	})
	inject(t, Fault{Kind: BrokenSensor, Bed: true}, func(t *testing.T, r *Rig, h *host) {
		if got := h.do("M105"); !strings.Contains(got[0], "B:-14.00") {
			t.Errorf("%q", got)
		}
	})
	inject(t, Fault{Kind: Retarget, At: time.Minute}, func(t *testing.T, r *Rig, h *host) {
		h.do("M104 S100")
		<-time.After(time.Minute)
		if _, target, _, _ := r.Temperatures(); target != 120 {
			t.Errorf("target %v", target)
		}
	})
}

func TestUnplug(t *testing.T) {
	for _, restart := range []bool{false, true} {
		f := Fault{Kind: Unplug, At: 90 * time.Second, For: 5 * time.Second, Restart: restart}
		inject(t, f, func(t *testing.T, r *Rig, h *host) {
			h.do("M104 S200", "G1 Z600 F300") // 120 s
			for {
				s := h.line(time.Hour)
				if strings.HasPrefix(s, "read: ") {
					break
				}
			}
			if _, err := h.port.Write([]byte("M105\n")); !errors.Is(err, serialio.ErrUnplugged) {
				t.Errorf("write: %v", err)
			}
			near(t, "unplugged at", r.Figures().MachineTime.Seconds(), 90, 1e-6)
			var oe *serialio.OpenError
			if _, err := r.Open(context.Background(), serialio.Settings{}); !errors.As(err, &oe) || oe.Reason != serialio.OpenAbsent {
				t.Errorf("open: %v", err)
			}
			<-time.After(6 * time.Second)
			h.reopen(r) // resets on open here
			h.lines()
			_, target, _, _ := r.Temperatures()
			near(t, "target after the reset", target, 0, 0)
			travel := r.BeltTravelMM()
			// 5 mm/s since about 1.5 s, until the power goes or until the reset on open; then
			// the released belt slips by 1.5 mm.
			want := (96-1.5)*5 + 1.5
			if restart {
				want -= 6 * 5
			}
			near(t, "belt travel", travel, want, 1)
		})
	}
}

func TestTriggers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Faults = []Fault{{Kind: Garbage, Line: 3}, {Kind: LoseResend, Line: 2}} })
		h.lines()
		if got := h.do("G92 X1", "G92 X2"); got != nil {
			t.Errorf("too early: %q", got)
		}
		if got := h.do("G92 X3"); len(got) == 0 {
			t.Error("no garbage at line 3")
		}
		h.raw("N4 M105*0\n")
		h.lines()
		if f := r.Figures().Faults; f["garbage"] != 1 || f["lose-resend"] != 1 {
			t.Errorf("%v", f)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		const lines, rate = 4000, 0.1
		r, h := open(t, func(s *Settings) {
			s.Speed = 0
			s.Faults = []Fault{{Kind: Garbage, Rate: rate}}
		})
		h.lines()
		for range lines {
			h.do("G92 X1")
		}
		// Binomial: mean 400, standard deviation 19.
		near(t, "random faults", float64(r.Figures().Faults["garbage"]), lines*rate, 4*19)
	})
}

// TestSensorsAstray: what the board shows goes one way, the body by the board's own rule the other.
func TestSensorsAstray(t *testing.T) {
	read := func(t *testing.T, h *host) (shown float64) {
		t.Helper()
		got := h.do("M105")
		shown, err := strconv.ParseFloat(strings.Fields(got[0])[1][2:], 64)
		if err != nil {
			t.Fatalf("%q: %v", got, err)
		}
		return shown
	}
	inject(t, Fault{Kind: DriftSensor, At: 10 * time.Minute}, func(t *testing.T, r *Rig, h *host) {
		h.do("M104 S200")
		<-time.After(15 * time.Minute) // 5 minutes of drift at 4 K/min
		if truth, _, _, _ := r.Temperatures(); truth < 215 || truth > 224 || read(t, h) < 198 || read(t, h) > 202 {
			t.Errorf("shows %v, is %v", read(t, h), truth)
		}
	})
	inject(t, Fault{Kind: LooseSensor, At: 10 * time.Minute}, func(t *testing.T, r *Rig, h *host) {
		h.do("M104 S200")
		<-time.After(12 * time.Minute)
		truth, _, _, _ := r.Temperatures()
		if w, _ := r.PowersW(); truth < 230 || read(t, h) > 190 || w < r.ctl.nozzle.PowerW {
			t.Errorf("shows %v, is %v at %v W", read(t, h), truth, w)
		}
	})
	inject(t, Fault{Kind: ShortSensor, At: 10 * time.Minute}, func(t *testing.T, r *Rig, h *host) {
		h.do("M104 S200")
		<-time.After(30 * time.Minute)
		truth, _, _, _ := r.Temperatures()
		if w, _ := r.PowersW(); truth > 60 || read(t, h) < 400 || w != 0 {
			t.Errorf("shows %v, is %v at %v W", read(t, h), truth, w)
		}
	})
	inject(t, Fault{Kind: WeakHeat}, func(t *testing.T, r *Rig, h *host) {
		whole := DefaultSettings().Machine.Nozzle.PowerW
		h.do("M104 S200")
		<-time.After(10 * time.Second)
		if w, _ := r.PowersW(); w < whole/3-0.01 || w > whole/3+0.01 {
			t.Errorf("%v W of %v", w, whole)
		}
	})
}

// TestBoardsThatLie: what the board tells is not what is, and it obeys by what it believes.
func TestBoardsThatLie(t *testing.T) {
	shown := func(t *testing.T, h *host) (nozzleC, bedC float64) {
		t.Helper()
		words := strings.Fields(h.do("M105")[0])
		nozzleC, err := strconv.ParseFloat(words[1][2:], 64)
		bedC, wrong := strconv.ParseFloat(words[3][2:], 64)
		if err != nil || wrong != nil {
			t.Fatalf("%q: %v, %v", words, err, wrong)
		}
		return nozzleC, bedC
	}
	inject(t, Fault{Kind: SwappedSensors}, func(t *testing.T, r *Rig, h *host) {
		h.do("M140 S60")
		<-time.After(5 * time.Minute)
		nozzle, _, bed, _ := r.Temperatures()
		showsNozzle, showsBed := shown(t, h)
		_, w := r.PowersW()
		if bed < 70 || nozzle > 30 || showsNozzle < bed-1 || showsBed > nozzle+1 || w < r.ctl.bed.PowerW {
			t.Errorf("bodies at %.1f and %.1f, shown %.1f and %.1f, bed driven with %.0f W", nozzle, bed, showsNozzle, showsBed, w)
		}
		h.do("M109 S70") // the bed is hotter than that, and the board takes it for the nozzle
	})
	inject(t, Fault{Kind: NoMains, At: 10 * time.Minute, For: 10 * time.Minute}, func(t *testing.T, r *Rig, h *host) {
		h.do("M104 S200", "M140 S60")
		<-time.After(11 * time.Minute)
		before := r.BeltTravelMM()
		if got := h.do("G1 Z50 F3000", "M400", "M114"); !strings.HasPrefix(got[0], "X:1.00 Y:0.00 Z:50.00") {
			t.Errorf("%q", got)
		}
		nozzle, target, _, _ := r.Temperatures()
		a, b := r.PowersW()
		if moved := r.BeltTravelMM() - before; moved != 0 || target != 200 || nozzle > 190 || a+b != 0 {
			t.Errorf("without mains the belt moved by %.1f mm; nozzle %.0f of %.0f °C, %.0f W", moved, nozzle, target, a+b)
		}
		<-time.After(15 * time.Minute)
		h.do("G1 Z60 F3000", "M400")
		nozzle, _, _, _ = r.Temperatures()
		if moved := r.BeltTravelMM() - before; moved < 9.9 || moved > 10.1 || nozzle < 195 {
			t.Errorf("with mains again the belt moved by %.1f mm; nozzle %.0f °C", moved, nozzle)
		}
	})
	inject(t, Fault{Kind: NoReports}, func(t *testing.T, r *Rig, h *host) {
		if got := h.do("M105"); got != nil {
			t.Errorf("%q", got)
		}
	})
	inject(t, Fault{Kind: FrozenAnswers, At: 5 * time.Minute}, func(t *testing.T, r *Rig, h *host) {
		h.do("M104 S200", "G1 X5")
		<-time.After(6 * time.Minute)
		before := h.do("M105")[0]
		h.do("M104 S0", "G1 X9")
		<-time.After(6 * time.Minute)
		after, place := h.do("M105")[0], h.do("M114")[0]
		if _, target, _, _ := r.Temperatures(); target != 0 || after != before || !strings.Contains(after, "/200.00") || !strings.HasPrefix(place, "X:5.00") {
			t.Errorf("%q, then %q and %q", before, after, place)
		}
	})
}
