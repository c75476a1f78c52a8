package browser

import (
	_ "embed"
	"fmt"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"beltwarden/daemon/access"
	pages "beltwarden/daemon/screen"
	"beltwarden/supervisor"
	"beltwarden/supervisor/bed"
)

//go:embed wall.js
var wallRules string

// wallSizes are the screens of walls: televisions lying and standing, and one that is also looked at as a telephone.
var wallSizes = []screen{wall, {1280, 720}, {3840, 2160}, {1080, 1920}, usualPhone}

// legible returns what would keep a wall with so many machines from being read, and notes the least contrast and letters.
func (b *tab) legible(machines int) (wrong []string) {
	b.t.Helper()
	// Sizes are given for a screen of 1080 lines, and grow and shrink with it.
	unit := min(float64(b.size.wide)/1880, float64(b.size.high)/1080)
	if b.size.wide*10 < b.size.high*13 {
		unit = min(float64(b.size.wide)/1080, float64(b.size.high)/1440)
	}
	verb := [...]float64{1: 160, 2: 160, 3: 96, 4: 92, 5: 68, 6: 68}[machines]
	if b.size.wide*10 < b.size.high*13 {
		verb = [...]float64{1: 160, 2: 116, 3: 92, 4: 80, 5: 58, 6: 58}[machines]
	}
	got := ask[struct {
		Wrong           []string
		Lowest, Letters float64
	}](b, fmt.Sprintf("(%s)(%v, %v, 7)", strings.TrimSpace(afterComment(wallRules)), 30*unit, verb*unit))
	b.t.Logf("%dx%d: least contrast %.1f:1, smallest letters %.1f px", b.size.wide, b.size.high, got.Lowest, got.Letters)
	return got.Wrong
}

// The wall fits one screen, whatever the machine does, with letters that can be read from 3 m.
func TestWallInNineSituations(t *testing.T) {
	withoutRace(t)
	beside(t)
	inEach(t, "/wall", "No contact", func(t *testing.T, x situation, b *tab) {
		for _, size := range wallSizes {
			b.resize(size)
			for _, scheme := range []string{"dark", "light"} { // light as with /wall?light
				ask[bool](b, fmt.Sprintf("document.documentElement.classList.toggle('light', %t)", scheme == "light"))
				for _, wrong := range b.legible(1) {
					t.Errorf("%s, %s, %dx%d: %s", x.name, scheme, size.wide, size.high, wrong)
				}
				b.shot(nameOf(size, scheme))
			}
		}
	})
}

// worst are pictures of machines with the longest of everything that a wall shows.
func worst() []func() pages.Seen {
	now := time.Now()
	far := now.Add(60 * time.Hour)
	of := func(alter func(*supervisor.Snapshot)) func() pages.Seen {
		limit := -2.4
		s := &supervisor.Snapshot{At: now, Machine: "The second clip machine beside the window of the drying room", State: supervisor.Execute, Since: now.Add(-50 * time.Hour),
			Lot: &supervisor.LotView{Name: "plant-stake clips", Status: "open", Ordered: 20000, Made: 12345, Good: 11111, Unverified: 12345, Interrupted: 12, Wanted: 9000,
				Ready: &supervisor.ReadyView{At: far}},
			Next: &supervisor.NextVisit{Reason: supervisor.CauseUnattended, Parts: 7654, At: far},
			Line: supervisor.LineView{Connected: true},
			Heat: supervisor.HeatView{HasNozzle: true, HasBed: true, NozzleC: 248, NozzleTargetC: 250, BedC: 109, BedTargetC: 110, Read: now}}
		s.Belt.OffsetMM, s.Belt.OffsetLimitMM = &limit, 12.5
		for i := range 112 {
			s.Belt.Parts = append(s.Belt.Parts, bed.Place{Ordinal: i + 1})
		}
		alter(s)
		return func() pages.Seen { return pages.Seen{Snapshot: s, Heard: now} }
	}
	list := []func() pages.Seen{
		of(func(s *supervisor.Snapshot) {
			s.State, s.HeatFault = supervisor.Aborted, "nozzle"
			s.Cause.Text = "the nozzle reads 344 °C"
			s.Heat.Read, s.Line.Connected = now.Add(-100*time.Minute), false
		}),
		of(func(s *supervisor.Snapshot) {
			s.State, s.Cause.Text = supervisor.Aborting, "the board answered with a line that nobody can read, and then with another that says at great length that it does not feel well"
			s.Heat.Proof = "not yet shown"
		}),
		of(func(*supervisor.Snapshot) {}),
		of(func(s *supervisor.Snapshot) {
			s.State, s.Cause.Code, s.Clock = supervisor.Held, supervisor.CauseSize, "the clock stands in 1970"
		}),
	}
	away := of(func(*supervisor.Snapshot) {})
	list = append(list, func() pages.Seen {
		x := away()
		x.Lost = "the certificate is not trusted by this computer"
		return x
	})
	gone := list[0]
	list = append(list, func() pages.Seen {
		x := gone()
		x.Lost = "it does not answer"
		return x
	})
	return list
}

// One to six machines fit one screen, with the longest names, causes and numbers, in a wide typeface.
func TestWallWithTheWorst(t *testing.T) {
	withoutRace(t)
	beside(t)
	all := worst()
	gate, err := access.New(access.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(gate.Close)
	for machines := 1; machines <= pages.MostOnWall; machines++ {
		for first := range all {
			if machines > 1 && first%2 > 0 {
				continue
			}
			var list []func() pages.Seen
			for i := range machines {
				list = append(list, all[(first+i)%len(all)])
			}
			t.Run(fmt.Sprintf("%d-from-%d", machines, first), func(t *testing.T) {
				s := httptest.NewServer(gate.Handler(pages.NewWall(pages.WallOptions{Machines: list, Log: zap.NewNop()})))
				t.Cleanup(s.Close) // after the tab: it waits for the stream
				b := open(t, s.URL, wall)
				b.visit("/wall")
				within(longest, func() bool { return b.watch.asked("GET /wall/stream") > 0 })
				for _, size := range append(slices.Clone(wallSizes), screen{1024, 768}, screen{844, 390}, screen{1920, 900}) {
					b.resize(size)
					for _, wrong := range b.legible(machines) {
						t.Errorf("%dx%d: %s", size.wide, size.high, wrong)
					}
					b.shot(nameOf(size, "dark"))
				}
			})
		}
	}
}
