package supervisor

import (
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// TestCare: care that is due keeps the machine from the next part until a visit reports that it was
// done. What was made since is counted over restarts.
func TestCare(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts, set.CheckEveryMM, set.CheckEvery = 0, 0, 0
		set.Care = []Care{{Name: "wipe the belt", EveryParts: 2}, {Name: "new nozzle", EveryWork: 1000 * time.Hour}, {Name: "tighten", EveryMM: 1e9}, {Name: "oil", Every: 30 * 24 * time.Hour}}
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{3}, Start: true}})
		s := x.until(Execute, 2*time.Hour)
		if n := s.Next; n.Reason != CauseCare || n.Parts != 2 || !strings.Contains(strings.Join(n.Bring, " "), "care") {
			t.Errorf("next visit: %+v", n)
		}
		s = x.until(Suspended, 4*time.Hour)
		if s.Cause.Code != CauseCare || s.Lot.Made != 2 || !strings.Contains(s.Cause.Text, "wipe the belt") || !strings.Contains(s.Advice, "--did") {
			t.Fatalf("%d made, %+v, advice %q", s.Lot.Made, s.Cause, s.Advice)
		}
		x.refuse(Request{Command: Unsuspend})
		if err := x.refuse(Request{Visit: &Visit{Did: []string{"wipe the bed"}}}); !strings.Contains(err.Error(), `"wipe the belt"`) {
			t.Errorf("a name that is none: %v", err)
		}
		x.do(Request{Visit: &Visit{Good: 2}}) // without the care
		x.refuse(Request{Command: Unsuspend})

		x.restart()
		time.Sleep(10 * time.Minute)
		s = x.s.Snapshot()
		if c := s.Care[0]; c.Parts == nil || *c.Parts != 0 || !c.Never {
			t.Fatalf("after a restart: %+v", c)
		}
		if c := s.Care[1]; !strings.Contains(c.Why, "due every 1000 h of work") || strings.Contains(c.Why, "for 0 h") {
			t.Errorf("hours of work: %+v", c)
		}
		x.do(Request{Visit: &Visit{Did: []string{" Wipe the Belt"}, BeltCleared: true}, By: "Ada"})
		if c := x.s.Snapshot().Care[0]; c.Parts == nil || *c.Parts != 2 || c.Never || x.s.Snapshot().At.Sub(c.Since) > time.Hour {
			t.Errorf("once it is done: %+v", c)
		}
		x.restart()
		time.Sleep(10 * time.Minute)
		if c := x.s.Snapshot().Care[0]; c.Parts == nil || *c.Parts != 2 || c.Never {
			t.Errorf("done, after a restart: %+v", c)
		}
		x.do(Request{Command: Start})
		x.until(Complete, 4*time.Hour)
	})
}
