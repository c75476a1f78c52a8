package supervisor

import (
	"context"
	"math"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// TestPartsAreSpreadOverTheBelt makes lots one after the other, with restarts between. The ledger
// places each part where the machine does, and no place of the loop wears much more than another,
// though every lot begins where the last one ended.
func TestPartsAreSpreadOverTheBelt(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		x := newRun(t, testRig(), set)
		p := x.plan(pegJob)
		x.set.LoopMM, x.set.ReleaseC = 6*p.PitchMM, 0 // the pitch divides it
		for run := range 6 {
			x.start()
			x.until(Idle, time.Hour)
			x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{p}, Good: []int{6}, Start: true}})
			x.until(Complete, 100*time.Hour)
			x.do(Request{Visit: &Visit{Good: 6}})
			// A belt slips a little, unnoticed, each time its motor is released.
			slip := 0.1 + float64(run)*rig.DefaultSettings().Belt.SlipOnReleaseMM
			if a, b := x.s.Snapshot().Belt.AdvanceMM, x.rig.BeltAdvanceMM(); math.Abs(a-b) > slip {
				t.Errorf("the ledger has an advance of %g mm, the machine %g", a, b)
			}
			x.stop()
		}
		x.start()
		x.until(Idle, time.Hour)
		var laid []ledger.PartLaid
		err := x.ledger.History(context.Background(), "rig", func(p ledger.Entry) {
			if l, ok := p.Record.(ledger.PartLaid); ok {
				laid = append(laid, l)
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		parts := x.rig.Parts()
		if len(laid) != 36 || len(parts) != 36 {
			t.Fatalf("the ledger has %d parts, the machine made %d", len(laid), len(parts))
		}
		places := map[int]int{} // leading edges on the loop, by 5 mm
		for k, l := range laid {
			slip := 0.1 + float64(k/6)*rig.DefaultSettings().Belt.SlipOnReleaseMM
			if q := parts[k]; math.Abs(l.FromMM-q.FromMM) > slip || math.Abs(l.ToMM-q.ToMM) > slip {
				t.Errorf("part %d lies from %g to %g, the ledger says %g to %g", k, q.FromMM, q.ToMM, l.FromMM, l.ToMM)
			}
			places[int(math.Mod(l.FromMM+1000*x.set.LoopMM, p.PitchMM)/5)]++
		}
		if len(places) < 3 {
			t.Errorf("six lots began at the same places of the loop: %v", places)
		}
		x.stop()
	})
}
