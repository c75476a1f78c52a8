package supervisor

import (
	"context"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// stays is a ledger with these stays.
type stays []ledger.Stay

func (s stays) Stays(context.Context) (*ledger.SurfaceRenewed, []ledger.Stay, error) {
	return &ledger.SurfaceRenewed{How: "taped"}, s, nil
}

func times(n int, d time.Duration) []time.Duration {
	list := make([]time.Duration, n)
	for i := range list {
		list[i] = d
	}
	return list
}

// TestAdhesionOfASurface: only parts that were looked at count. By the exact form of the rule of
// three, 59 parts that all held, and no fewer, show 95 of 100 with 95 % certainty (0.95^59 = 0.0485).
func TestAdhesionOfASurface(t *testing.T) {
	const hour = time.Hour
	for name, c := range map[string]struct {
		stay           ledger.Stay
		held, unknown  int
		longest, first time.Duration
		holds          time.Duration
	}{
		"59 held":         {ledger.Stay{Cycles: times(59, hour), Good: 59}, 59, 0, hour, 0, hour},
		"58 held":         {ledger.Stay{Cycles: times(58, hour), Good: 58}, 58, 0, hour, 0, 0},
		"not looked at":   {ledger.Stay{Cycles: times(80, hour), Good: 10}, 10, 0, hour, 0, 0},
		"scrap that held": {ledger.Stay{Cycles: times(59, hour), Good: 50, Scrap: 9}, 59, 0, hour, 0, hour},
		"all scrap":       {ledger.Stay{Cycles: times(3, hour), Scrap: 3}, 3, 0, 0, 0, 0},
		"of before":       {ledger.Stay{Cycles: times(5, hour), Backlog: 3, Good: 5}, 2, 0, hour, 0, 0},
		"one off early":   {ledger.Stay{Cycles: times(10, hour), Good: 9, Detached: 1, After: []time.Duration{40 * time.Minute}}, 9, 0, hour, 40 * time.Minute, 0},
		"one of many off late": {ledger.Stay{Cycles: times(105, 3*hour), Good: 100, Detached: 5, After: times(5, 2*hour)},
			100, 0, 3 * hour, 2 * hour, 2*hour - 1},
		"when is not known":                {ledger.Stay{Cycles: times(10, hour), Good: 8, Detached: 2}, 8, 2, hour, 0, 0},
		"a quarter off, when is not known": {ledger.Stay{Cycles: times(80, hour), Good: 60, Detached: 20}, 60, 20, hour, 0, 0},
		"3 of 1000, when is not known":     {ledger.Stay{Cycles: times(1000, hour), Good: 997, Detached: 3}, 997, 3, hour, 0, hour},
		"how long not known":               {ledger.Stay{Cycles: []time.Duration{0, hour}, Good: 2}, 1, 0, hour, 0, 0},
	} {
		g, err := ReadAdhesion(context.Background(), stays{c.stay})
		if err != nil {
			t.Fatal(err)
		}
		if g.Held != c.held || g.UnknownTimes != c.unknown || g.Longest != c.longest || g.Earliest != c.first || g.HoldsFor != c.holds || g.Surface != "taped" {
			t.Errorf("%s: %+v", name, g)
		}
	}
}

// TestPartsThatCameOff reach the ledger with their minute, and a renewed surface starts over, also
// after a restart.
func TestPartsThatCameOff(t *testing.T) {
	withoutRace(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts = 3
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{9}, Start: true}})
		x.refuses(t, &Visit{DetachedMin: []float64{5}}, "1 scrap are more than")
		x.until(Execute, time.Hour)
		x.refuses(t, &Visit{Surface: "taped"}, "while the machine is Execute")
		x.until(Held, 12*time.Hour)
		x.refuses(t, &Visit{Surface: "painted", DetachedMin: []float64{-1, 3}, Scrap: map[string]int{"detached": 1}}, `"painted"`, "-1 minutes", "2 parts have a time")
		id := x.do(Request{Visit: &Visit{Good: 1, DetachedMin: []float64{2.5}}}).CheckID
		adhesion := func() Adhesion {
			g, err := ReadAdhesion(context.Background(), x.ledger)
			if err != nil {
				t.Fatal(err)
			}
			return g
		}
		if g := adhesion(); g.Held != 1 || g.Detached != 1 || g.Earliest != 150*time.Second {
			t.Errorf("%+v", g)
		}
		if c := x.counts(1); c.Scrap != 1 || c.ScrapByReason["detached"] != 1 {
			t.Errorf("%+v", c)
		}
		x.refuses(t, &Visit{Corrects: id, Surface: "taped"}, "in a new check")
		x.do(Request{Visit: &Visit{Corrects: id, Good: 1, DetachedMin: []float64{4}}})
		if g := adhesion(); g.Earliest != 4*time.Minute || g.Detached != 1 {
			t.Errorf("corrected: %+v", g)
		}
		x.do(Request{Visit: &Visit{Surface: "cleaned"}})
		if g := adhesion(); g.Made != 0 || g.Earliest != 0 || g.Surface != "cleaned" {
			t.Errorf("a new surface: %+v", g)
		}
		x.do(Request{Command: Unhold})
		x.until(Held, 12*time.Hour)
		before := x.s.Snapshot().Belt.Surface
		if before == nil || before.How != "cleaned" || before.TravelMM < 30 {
			t.Fatalf("surface %+v", before)
		}
		x.stop()
		x.start()
		x.until(Idle, time.Hour)
		if after := x.s.Snapshot().Belt.Surface; after == nil || after.How != "cleaned" || after.TravelMM < before.TravelMM || !after.At.Equal(before.At.Truncate(time.Millisecond)) {
			t.Errorf("after a restart %+v, before %+v", after, before)
		}
		if p, err := x.inspect(context.Background(), clipJob); err != nil || strings.Contains(p.Path, "?") {
			t.Error(err)
		}
		x.stop()
	})
}
