package supervisor

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
)

// ends are the ordinary ways in which heaters are switched off.
var ends = map[string]func(x *run){
	"stop": func(x *run) {
		x.do(Request{Command: Stop})
		x.until(Stopped, 2*time.Hour)
	},
	"complete": func(x *run) {
		x.do(Request{Command: CompleteLot})
		x.until(Complete, 2*time.Hour)
	},
	"held": func(x *run) {
		x.do(Request{Command: Hold})
		x.until(Held, 2*time.Hour)
		time.Sleep(x.set.HeatersOffAfter + time.Second)
	},
	"suspended": func(x *run) {
		x.do(Request{Command: Suspend})
		x.until(Suspended, 2*time.Hour)
		time.Sleep(x.set.HeatersOffAfter + time.Second)
	},
}

// offRun is a lot in its second part, on a machine whose bed reaches 62 °C when it is on permanently,
// which no rise reveals, and whose parts need not cool.
func offRun(t *testing.T, fault *rig.Fault) *run {
	rs, set := testRig(), testSettings()
	rs.Machine.Bed.PowerW = 48
	set.ReleaseC, set.ReheatLimit = 0, time.Hour
	set.NozzleWatch, set.BedWatch = heat.NozzleLimits(260, heat.OverC), heat.BedLimits(100, heat.OverC)
	x := newRun(t, rs, set)
	x.start()
	x.until(Idle, time.Minute)
	x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{5}, Start: true}})
	x.until(Execute, 2*time.Hour)
	for s := x.s.Snapshot(); !strings.HasPrefix(s.Doing, "making part 2"); s = x.s.Snapshot() {
		time.Sleep(time.Second)
	}
	if fault != nil {
		if err := x.rig.Inject(*fault); err != nil {
			t.Fatal(err)
		}
	}
	return x
}

// TestEveryOffIsProved: wherever heaters are switched off, somebody is called if they are not off, and
// nobody if they are.
func TestEveryOffIsProved(t *testing.T) {
	for _, name := range few(2, slices.Collect(maps.Keys(ends))) {
		end := ends[name]
		for _, c := range []struct {
			fault *rig.Fault
			says  string
			after time.Duration
		}{
			{nil, "", 25 * time.Minute},
			{&rig.Fault{Kind: rig.IgnoreOff}, "beltwarden switched the board's nozzle off, but the board keeps its target of", 20 * time.Second},
			{&rig.Fault{Kind: rig.FullHeat, Bed: true}, "NOT shown to be off", 6 * time.Minute},
		} {
			what := "sound"
			if c.fault != nil {
				what = c.fault.String()
			}
			t.Run(name+", "+what, func(t *testing.T) {
				t.Parallel()
				inBubble(t, func(t *testing.T) {
					x := offRun(t, c.fault)
					x.hot = c.fault != nil // another test covers how it ends
					end(x)
					before := x.alerts()
					time.Sleep(c.after)
					s, told := x.s.Snapshot(), strings.TrimPrefix(x.alerts(), before)
					switch {
					case c.says == "" && (strings.Contains(told, "heat") || !s.Heat.Proved || s.HeatFault != ""):
						t.Errorf("sound heaters: %s, %s; told: %s", s.State, s.Heat.Proof, told)
					case c.says != "" && (!strings.Contains(told, c.says) || s.HeatFault == "" || s.Heat.Proved):
						t.Errorf("%s, latched %q, %s; told: %s", s.State, s.HeatFault, s.Heat.Proof, told)
					}
					x.rig.Reset()
					time.Sleep(time.Minute)
				})
			})
		}
	}
}

// TestTheEndLooksAtTheHeaters: an orderly end reports the heaters as off only when they read off, and
// is quick when they do.
func TestTheEndLooksAtTheHeaters(t *testing.T) {
	for _, c := range few(2, []struct {
		name   string
		fault  *rig.Fault
		hot    bool
		within time.Duration
	}{
		{"sound", nil, false, 90 * time.Second},
		{"target held", &rig.Fault{Kind: rig.IgnoreOff}, true, 4 * time.Minute},
		{"sensor gone", &rig.Fault{Kind: rig.NanSensor}, true, time.Minute},
		{"bed on for good", &rig.Fault{Kind: rig.FullHeat, Bed: true}, true, 4 * time.Minute},
	}) {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T) {
				x := offRun(t, c.fault)
				if c.fault != nil && c.fault.Kind == rig.NanSensor {
					x.until(Aborted, time.Minute) // waiting for readings that nobody believes gains nothing
				}
				from := time.Now()
				x.cancel()
				err := <-x.ended
				x.cancel = nil
				x.ledger.Close()
				if errors.Is(err, ErrHot) != c.hot || time.Since(from) > c.within {
					t.Errorf("ended after %v: %v", time.Since(from), err)
				}
			})
		})
	}
}
