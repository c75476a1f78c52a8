package supervisor

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// TestLotRunsEndToEnd makes three clips and compares what the machine executed
// with the ledger.
func TestLotRunsEndToEnd(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		plan := x.plan(clipJob)
		res := x.do(Request{By: "test", Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{3}, Start: true}})
		s := x.until(Complete, 24*time.Hour)
		if s.Lot.Made != 3 || s.Lot.Unverified != 3 || s.Lot.Good != 0 {
			t.Errorf("made %d, unverified %d, good %d; want 3, 3, 0", s.Lot.Made, s.Lot.Unverified, s.Lot.Good)
		}
		parts := x.rig.Parts()
		dropped := 0
		for _, p := range parts {
			if p.Dropped {
				dropped++
			}
		}
		if len(parts) != 3 || dropped != 3 {
			t.Errorf("the machine made %d parts and dropped %d, want 3 and 3", len(parts), dropped)
		}
		fig := x.rig.Figures()
		if math.Abs(fig.FilamentMM-3*plan.FilamentMM) > 1e-4*3*plan.FilamentMM+8 {
			t.Errorf("filament %.3f mm, want about %.3f", fig.FilamentMM, 3*plan.FilamentMM)
		}
		if math.Abs(fig.BeltTravelMM-s.Belt.TravelMM) > 0.05 {
			t.Errorf("ledger has %.3f mm of travel, the machine ran %.3f", s.Belt.TravelMM, fig.BeltTravelMM)
		}
		x.do(Request{By: "test", Visit: &Visit{Good: 3}})
		if c := x.counts(res.LotID); c.Good != 3 || c.Unverified != 0 || c.Made != 3 {
			t.Errorf("ledger counts %+v, want 3 made and good", c)
		}
		lot, err := x.ledger.Lot(context.Background(), res.LotID)
		if err != nil || lot.Status != "closed" {
			t.Errorf("lot is %q (%v), want closed", lot.Status, err)
		}
		x.stop()
	})
}

// TestHoldForCheck holds after every second part, records the check, and refuses to continue without
// one.
func TestHoldForCheck(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts = 2
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		res := x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{4}, Start: true}})
		s := x.until(Held, 24*time.Hour)
		if s.Lot.Made != 2 || s.Cause.Code != CauseCheckParts {
			t.Errorf("held after %d parts for %s, want 2 for %s", s.Lot.Made, s.Cause.Code, CauseCheckParts)
		}
		if err := x.refuse(Request{Command: Unhold}); !strings.Contains(err.Error(), "check") {
			t.Errorf("refusal %q does not speak of the check", err)
		}
		time.Sleep(20 * time.Minute)
		if n, nt, _, bt := x.rig.Temperatures(); nt != 0 || bt != 0 {
			t.Errorf("after 20 minutes of hold the targets are %.0f and %.0f °C (nozzle at %.0f)", nt, bt, n)
		}
		far := 3.5
		x.do(Request{Visit: &Visit{Good: 2, OffsetMM: &far}})
		if err := x.refuse(Request{Command: Unhold}); !strings.Contains(err.Error(), "realign") {
			t.Errorf("refusal %q does not speak of realigning", err)
		}
		x.do(Request{Visit: &Visit{Realigned: true}})
		x.do(Request{Command: Unhold, By: "test"})
		x.until(Complete, 24*time.Hour)
		holds, err := x.ledger.Holds(context.Background(), res.LotID)
		if err != nil || len(holds) != 1 || holds[0].AtPart != 2 || holds[0].How != "unhold" {
			t.Errorf("holds %+v (%v), want one at part 2, ended by unhold", holds, err)
		}
		alerts, err := x.ledger.PendingAlerts(context.Background(), "any", time.Now(), 10)
		if err != nil || len(alerts) != 2 {
			t.Errorf("%d alerts pending (%v), want 2: the hold and the end", len(alerts), err)
		}
		x.stop()
	})
}

// TestOperatorHoldTakesEffectBetweenParts: no part begins after the command.
func TestOperatorHoldTakesEffectBetweenParts(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{3}, Start: true}})
		x.until(Execute, 2*time.Hour)
		time.Sleep(5 * time.Second)
		x.do(Request{Command: Hold, By: "test"})
		s := x.until(Held, 5*time.Hour)
		if s.Lot.Made != 1 || s.Lot.Begun != 1 || !s.Belt.Clear {
			t.Errorf("held with %d made, %d begun, clear %t; want 1, 1, true", s.Lot.Made, s.Lot.Begun, s.Belt.Clear)
		}
		x.do(Request{Command: Unhold})
		x.until(Complete, 24*time.Hour)
		if n := len(x.rig.Parts()); n != 3 {
			t.Errorf("%d parts, want 3", n)
		}
		x.stop()
	})
}
