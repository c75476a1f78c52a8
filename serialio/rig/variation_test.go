package rig

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// The rig must know of every line that got past the checks other than it was sent:
// two flips in one bit column, a checksum sign turned into a line end. It also counts
// the few whose damage lay behind the checksum, where it does no harm.
func TestDamageIsKnown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) {
			s.Speed = 0
			s.Faults = []Fault{{Kind: Flip, Rate: 0.02, Way: ToBoard}, {Kind: Drop, Rate: 0.005, Way: ToBoard},
				{Kind: Double, Rate: 0.005, Way: ToBoard}}
		})
		h.lines()
		var texts []string
		for i := range 1500 {
			texts = append(texts, fmt.Sprintf("G92 X%d.%d Y%d", i%90, i%10, i%70))
		}
		if err := stubborn(h, texts); err != nil {
			t.Fatal(err)
		}
		wrong, next := uint64(0), int64(1)
		for _, e := range r.Record() {
			if e.Number == next && e.Text == texts[next-1] {
				next++
				continue
			}
			wrong++
			if e.Number == next {
				next++
			}
		}
		f := r.Figures()
		t.Logf("%d lines judged with damage, %d of them accepted, %d of those wrong on record", f.DamagedLines, f.DamagedAccepted, wrong)
		if wrong == 0 || wrong > f.DamagedAccepted || f.DamagedAccepted > 2*wrong {
			t.Errorf("%d wrong lines on record, the rig knows of %d", wrong, f.DamagedAccepted)
		}
	})
}

func TestColdExtrusion(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Speed, s.Machine.MinExtrudeC = 0, 170 })
		h.lines()
		if got := h.do("G1 X10 E5 F600"); len(got) != 1 || !strings.Contains(got[0], "cold") {
			t.Errorf("%q", got)
		}
		h.do("M109 S200", "G1 X20 E12", "M400")
		f := r.Figures()
		near(t, "filament", f.FilamentMM, 7, 1e-9)
		if f.ColdExtrusions != 1 || len(r.Parts()) != 1 {
			t.Errorf("%d cold extrusions, parts %+v", f.ColdExtrusions, r.Parts())
		}
		h.do("M104 S0", "M302 P1", "G4 S3600", "G1 X30 E13", "M400")
		near(t, "filament", r.Figures().FilamentMM, 8, 1e-9)
	})
}

func TestExtruderAlone(t *testing.T) {
	for alone, want := range map[bool]string{false: "E:8.00", true: "E:5.00"} {
		synctest.Test(t, func(t *testing.T) {
			_, h := open(t, func(s *Settings) { s.Board.ExtruderKeepsMode = alone })
			h.lines()
			h.do("M83", "G1 E3 F600", "M82", "G91", "G1 E5")
			if got := h.do("M114"); !strings.Contains(got[0], want) {
				t.Errorf("alone %v: %q", alone, got)
			}
		})
	}
}

func TestHaltBang(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Board.HaltBang = true })
		h.lines()
		r.Inject(Fault{Kind: HeaterFault})
		if got := h.lines(); !slices.Equal(got, []string{"!!"}) {
			t.Errorf("%q", got)
		}
	})
}

// A bare board knows neither its firmware's name nor automatic reports; another puts
// an echo before its busy reports.
func TestBareAndEcho(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, h := open(t, func(s *Settings) { s.Board = Variations()["bare"] })
		for _, send := range []string{"M115", "M155 S1", "M154 S1"} {
			if got := h.do(send); len(got) != 1 || !strings.HasPrefix(got[0], "echo:unknown command") {
				t.Errorf("%s: %q", send, got)
			}
		}
		if got := h.do("M105"); len(got) != 1 || !strings.HasPrefix(got[0], "T:22.00 /0.00 B:") {
			t.Errorf("M105: %q", got)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		_, h := open(t, func(s *Settings) { s.Board = Variations()["echo"] })
		h.lines()
		if got := h.do("G4 S5"); !slices.Equal(got, []string{"echo:busy: processing", "echo:busy: processing"}) {
			t.Errorf("%q", got)
		}
	})
}

func TestUserWait(t *testing.T) {
	for _, speed := range []float64{0, 1} {
		synctest.Test(t, func(t *testing.T) {
			_, h := open(t, func(s *Settings) { s.Speed = speed })
			h.lines()
			begin := time.Now()
			h.raw(frame(1, "M0"))
			for range 3 {
				if got := h.line(time.Minute); got != "busy: waiting for user" {
					t.Fatalf("%q", got)
				}
			}
			near(t, "three busy reports", time.Since(begin).Seconds(), 6, 0.1)
			h.raw("M108\n")
			if got := h.lines(); !slices.Equal(got, []string{"ok", "ok"}) {
				t.Errorf("%q", got)
			}
		})
	}
}

// Half of a move done when it is stopped: the board knows where it is, and the belt
// has run so far.
func TestQuickStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, nil)
		h.lines()
		h.do("G1 Z100 F600", "G1 Z200")
		<-time.After(5 * time.Second)
		h.do("M410")
		near(t, "travel", r.BeltTravelMM(), 50, 0.2)
		want := fmt.Sprintf("Z:%.2f", r.BeltTravelMM())
		if got := h.do("M114"); !strings.Contains(got[0], want) {
			t.Errorf("%q, want %s", got, want)
		}
	})
}

// A long cooling at speed 0 takes no wall time and does not flood the host.
func TestLongWaitAtFullSpeed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Speed = 0 })
		h.lines()
		h.do("M190 S100")
		begin := time.Now()
		said := h.do("M190 R30", "G4 S36000")
		if d := time.Since(begin); d > time.Second || len(said) > 3000 {
			t.Errorf("%v, %d lines", d, len(said))
		}
		if f := r.Figures(); f.WorkTime < 10*time.Hour || f.WorkTime > 12*time.Hour || f.HostOverflow != 0 {
			t.Errorf("figures %+v", f)
		}
		// A silence lasts by the wall's clock, and so does what never comes.
		r.Inject(Fault{Kind: Silence, For: 7 * time.Second})
		begin = time.Now()
		h.do("M105")
		near(t, "silence", time.Since(begin).Seconds(), 7, 0.1)
		r.Inject(Fault{Kind: Unplug, For: 3 * time.Second})
		begin = time.Now()
		for {
			if p, err := r.Open(t.Context(), settingsOf("rig")); err == nil {
				p.Close()
				break
			}
			<-time.After(100 * time.Millisecond)
		}
		near(t, "unplugged", time.Since(begin).Seconds(), 3, 0.2)
	})
}
