package supervisor

import (
	"math"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

const pegJob = "../testdata/jobs/drip-peg.gcode"

// TestNoPartOnTheSeam makes a lot that goes round the loop more than once. The machine's own record
// shows which parts lay on the seam: some if nobody entered its place, none if the operator has, also
// over a restart. The belt's advance in the ledger stays that of the machine.
func TestNoPartOnTheSeam(t *testing.T) {
	withoutRace(t)
	for _, told := range []bool{false, true} {
		inBubble(t, func(t *testing.T) {
			rs := testRig()
			rs.Belt.LoopLengthMM, rs.Belt.SeamAtMM, rs.Belt.SeamWidthMM = 400, 170, 20
			set := testSettings()
			set.LoopMM, set.SeamMM, set.ReleaseC = 400, 20, 0
			x := newRun(t, rs, set)
			x.start()
			x.until(Idle, time.Minute)
			if told {
				ahead := x.rig.BeltAdvanceMM() - 170
				x.do(Request{Visit: &Visit{SeamMM: &ahead}})
				s := x.s.Snapshot()
				if s.Belt.SeamAheadMM == nil || math.Abs(*s.Belt.SeamAheadMM-ahead) > 1e-6 {
					t.Errorf("the seam is %v ahead, want %g", s.Belt.SeamAheadMM, ahead)
				}
				x.stop()
				x.start()
				x.until(Idle, time.Minute)
			}
			x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(pegJob)}, Good: []int{24}, Start: true}})
			x.until(Complete, 100*time.Hour)
			onSeam := 0
			for _, p := range x.rig.Parts() {
				if p.OnSeam {
					onSeam++
				}
			}
			if told != (onSeam == 0) {
				t.Errorf("told %t: %d parts on the seam", told, onSeam)
			}
			if rounds := x.rig.BeltAdvanceMM() / 400; rounds < 1.5 {
				t.Errorf("only %.1f rounds were made", rounds)
			}
			if a, b := x.s.Snapshot().Belt.AdvanceMM, x.rig.BeltAdvanceMM(); math.Abs(a-b) > 0.1 {
				t.Errorf("the ledger has an advance of %g mm, the machine %g", a, b)
			}
			x.stop()
		})
	}
}

func TestSeamIsRefused(t *testing.T) {
	m := newMachine(testSettings().withDefaults())
	m.set.LoopMM = 0
	if m.seamFault(10) == "" {
		t.Error("a seam without a loop is taken")
	}
	m.set.LoopMM = 1000
	if m.seamFault(1001) == "" || m.seamFault(math.NaN()) == "" || m.seamFault(-300) != "" {
		t.Error("a place is judged wrongly")
	}
}
