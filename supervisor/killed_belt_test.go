package supervisor

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// TestAKilledProcessLeavesTheBeltKnown: at any moment of a lot of two jobs on a belt with a seam, with
// a stop, a visit and a second run, a process that restored the ledger as it is would know how far the
// belt has run, except for what it counts as uncertain.
func TestAKilledProcessLeavesTheBeltKnown(t *testing.T) {
	withoutRace(t)
	short, long := 100*time.Millisecond, 2*time.Second
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.SeamMM, set.ReleaseC, set.ProgressEvery = 30, 0, time.Hour
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		seam := 5.0
		x.do(Request{Visit: &Visit{SeamMM: &seam, Sure: true}})
		plans := []*job.Plan{x.plan(clipJob), x.plan("../testdata/jobs/drip-peg.gcode")}
		inspect := func(_ context.Context, path string) (*job.Plan, error) {
			return plans[slices.IndexFunc(plans, func(p *job.Plan) bool { return p.Path == path })], nil
		}
		look := func() *Snapshot {
			s, ran := x.s.Snapshot(), x.rig.Figures().CommandedMM
			m, err := NewMachine(context.Background(), set, x.ledger, inspect, "test", time.Now())
			if err != nil {
				t.Fatal(err)
			}
			if off := math.Abs(m.belt.base.TravelMM - ran); off > m.belt.uncertainMM+0.01 {
				t.Errorf("%s, %s: %.2f mm in the ledger, %.2f of them in doubt; the belt has run %.2f", s.State, s.Doing, m.belt.base.TravelMM, m.belt.uncertainMM, ran)
			}
			return s
		}
		until := func(state State, doing string) {
			t.Helper()
			pause := short
			for n, s := 0, look(); s.State != state || s.Doing != doing && doing != ""; n++ {
				if n > 20_000 || t.Failed() {
					t.Fatalf("%s, %s: it does not come to %s, %s", s.State, s.Doing, state, doing)
				}
				time.Sleep(pause)
				next := look()
				if next.Doing != s.Doing || next.State != s.State {
					n, pause = 0, short
				} else if n > 40 {
					pause = long
				}
				s = next
			}
		}
		x.do(Request{Lot: &LotRequest{Plans: plans, Good: []int{2, 2}, Order: "turn", Start: true}})
		until(Execute, "making part 2")
		time.Sleep(20 * time.Second)
		x.do(Request{Visit: &Visit{BinEmptied: true}})
		look()
		x.do(Request{Command: Stop})
		until(Stopped, "")
		x.do(Request{Visit: &Visit{BeltCleared: true, Interrupted: "scrap"}})
		x.do(Request{Command: Reset})
		until(Idle, "")
		x.do(Request{Command: Start})
		until(Complete, "")
		x.stop()
	})
}
