package supervisor

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
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
		kept := func() paceKind {
			x.start()
			defer x.stop()
			m := &Machine{set: x.set, guard: newHeatWatch(&x.set)}
			if err := m.loadWarmth(t.Context(), x.ledger, time.Now()); err != nil {
				t.Fatal(err)
			}
			return m.paceKind
		}
		taught := kept()
		if taught == unknownKind || taught.Noise[0] <= paceNoisePrior[0] || taught.LacksSD >= lacksSD {
			t.Errorf("five parts of a machine that never varies have taught %+v", taught)
		}
		for _, text := range []string{`{}`, `{"noise":[1]}`, `{"noise":["a"]}`, `{"noise":[-1,1,0.5,0.5],"wander":[0.25,0.25,0.25,0.25],"swing":[0.4,0.3,0.3],"lacks_ln":0.3,"lacks_sd":0.1}`} {
			x.start()
			if err := x.ledger.Commit(t.Context(), ledger.HeatLearned{Port: x.set.Port.Path, Heater: ledger.LearnedCycles, Model: json.RawMessage(text)}); err != nil {
				t.Fatal(err)
			}
			x.stop()
			if got := kept(); got != unknownKind {
				t.Errorf("%s is taken for %+v", text, got)
			}
		}
	})
}

// TestSoundKinds: what is learned can always be begun with, even after cycles that nothing foretold.
func TestSoundKinds(t *testing.T) {
	for _, took := range [][]time.Duration{{time.Nanosecond, 1000 * time.Hour, 0}, {time.Hour, time.Hour, time.Hour, 90 * time.Hour}, {0, 0, 0}} {
		var p pace
		p.begin(paceWait{time.Minute, 0.3, false}, unknownKind)
		var ended time.Duration
		for i, d := range took {
			ended += d
			p.add(ended, d, time.Minute, i == 0)
		}
		q := p.learned()
		if !q.sound() {
			t.Errorf("after %v: %+v", took, q)
		}
		var next pace
		next.begin(paceWait{time.Minute, 0.3, false}, q)
		next.add(time.Minute, time.Minute, 0, false)
		if d := next.takes(3, time.Minute, 0, 0); !(d[0] < d[1] && d[1] < d[2]) || math.IsNaN(d[2].Seconds()) {
			t.Errorf("after %v: %v", took, d)
		}
	}
}
