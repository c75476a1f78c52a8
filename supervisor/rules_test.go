package supervisor

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// TestOffsetBeyondLimitHolds: an offset reported while a part is made takes effect
// before the next, whether or not a rate of drift is assumed, and a reason given
// lets the lot go on until another offset is read.
func TestOffsetBeyondLimitHolds(t *testing.T) {
	for _, drift := range []float64{0, 0.1} {
		t.Run(fmt.Sprint(drift), func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				set := testSettings()
				set.WorstDrift = drift
				x := newRun(t, testRig(), set)
				x.start()
				x.until(Idle, time.Minute)
				x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{3}, Start: true}})
				x.until(Execute, 2*time.Hour)
				time.Sleep(20 * time.Second)
				mm := 5.0
				x.do(Request{Visit: &Visit{OffsetMM: &mm}})
				for s := x.s.Snapshot(); s.State != Held && s.State != Complete; s = x.s.Snapshot() {
					time.Sleep(time.Second)
				}
				s := x.s.Snapshot()
				if s.State != Held || s.Lot.Made != 1 {
					t.Errorf("drift %v: %s with %d made, want Held with 1", drift, s.State, s.Lot.Made)
					x.stop()
					return
				}
				if err := x.refuse(Request{Command: Unhold}); !strings.Contains(err.Error(), "+5.0 mm") {
					t.Errorf("refusal %q does not name the offset", err)
				}
				x.do(Request{Command: Unhold, Override: "edge guide is new"})
				x.until(Complete, 24*time.Hour)
				x.stop()
			})
		})
	}
}
