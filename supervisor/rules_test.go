package supervisor

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// TestOffsetBeyondLimitHolds: an offset reported during a part takes effect before the next, whether
// or not a rate of drift is assumed, and an override with a reason continues the lot until another
// offset is read.
func TestOffsetBeyondLimitHolds(t *testing.T) {
	oneMachine(t)
	for _, drift := range []float64{0, 0.1} {
		t.Run(fmt.Sprint(drift), func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				set := testSettings()
				set.WorstDriftMMPerM = drift
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

// TestEveryRuleHolds: each rule alone stops the lot between parts, at the part at which it is due, and
// names itself. A clip runs 1.8 m of belt in a cycle of about a quarter of an hour.
func TestEveryRuleHolds(t *testing.T) {
	rules := map[string]struct {
		set  func(*Settings)
		made int
	}{
		CauseCheckParts:  {func(s *Settings) { s.CheckEveryParts = 2 }, 2},
		CauseCheckTravel: {func(s *Settings) { s.CheckEveryMM = 5500 }, 3},                         // a fourth part would pass it
		CauseCheckTime:   {func(s *Settings) { s.CheckEvery = 20 * time.Minute }, 2},               // over in the second part
		CauseOffset:      {func(s *Settings) { s.OffsetLimitMM, s.WorstDriftMMPerM = 1, 0.25 }, 2}, // 4 m to the limit
	}
	for _, code := range few(2, slices.Collect(maps.Keys(rules))) {
		rule := rules[code]
		t.Run(code, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				set := testSettings()
				rule.set(&set)
				x := newRun(t, testRig(), set)
				x.start()
				x.until(Idle, time.Minute)
				x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{9}, Start: true}})
				s := x.until(Held, 24*time.Hour)
				if s.Cause.Code != code || s.Lot.Made != rule.made || s.Lot.Begun != rule.made {
					t.Errorf("held for %s with %d made and %d begun (%s), want %s with %d",
						s.Cause.Code, s.Lot.Made, s.Lot.Begun, s.Cause.Text, code, rule.made)
				}
				if err := x.refuse(Request{Command: Unhold}); err == nil {
					t.Error("went on without a check")
				}
				zero := 0.0
				x.do(Request{Visit: &Visit{OffsetMM: &zero, Good: rule.made}})
				x.do(Request{Command: Unhold})
				again := x.until(Held, 24*time.Hour)
				for again.Lot.Made == rule.made { // still the first hold
					time.Sleep(time.Minute)
					again = x.until(Held, 24*time.Hour)
				}
				if again.Lot.Made != 2*rule.made || again.Cause.Code != code {
					t.Errorf("held again for %s with %d made, want %s with %d", again.Cause.Code, again.Lot.Made, code, 2*rule.made)
				}
				x.stop()
			})
		})
	}
}
