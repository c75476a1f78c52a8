package supervisor

import (
	"encoding/json"
	"testing"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
)

// TestWhatLotsTeachIsKept: a lot that has ended has taught something of machine and room, which
// the next process begins with; what is no such thing in the ledger is learned anew.
func TestWhatLotsTeachIsKept(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{5}, Start: true}})
		x.until(Complete, 24*time.Hour)
		x.stop()
		kept := func() pace.Prior {
			x.start()
			defer x.stop()
			m := &Machine{set: x.set, guard: newHeatWatch(&x.set)}
			if err := m.loadWarmth(t.Context(), x.ledger, time.Now()); err != nil {
				t.Fatal(err)
			}
			return m.prior
		}
		taught := kept()
		first := pace.DefaultPrior()
		if taught == first || taught.Noise[0] <= first.Noise[0] || taught.LacksSD >= first.LacksSD {
			t.Errorf("five parts of a machine that never varies have taught %+v", taught)
		}
		x.start()
		if err := x.ledger.Commit(t.Context(), ledger.HeatLearned{Port: x.set.Port.Path, Heater: ledger.LearnedCycles, Model: json.RawMessage(`{"noise":[1]}`)}); err != nil {
			t.Fatal(err)
		}
		x.stop()
		if got := kept(); got != first {
			t.Errorf("what is no prior was read as %+v", got)
		}
	})
}
