package supervisor

import (
	"math"
	"testing"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// TestHoldsByTheForecast makes a lot on a belt that drifts 0.03 mm/m with random scatter. The operator
// reads the offset at each hold, realigns beyond half the limit, and the daemon restarts in between.
// The belt must never pass its limit, with fewer visits than the assumed worst rate would need, and a
// restart must change nothing.
func TestHoldsByTheForecast(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.WorstDriftMMPerM = 0.5
		rs := testRig()
		rs.Belt.DriftPerTravelMMPerM, rs.Belt.DriftPerAdvanceMMPerM, rs.Belt.JitterMMPerSqrtM = 0.03, 0.1, 0.02
		x := newRun(t, rs, set)
		x.start()
		x.until(Idle, time.Minute)
		const parts = 30
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{parts}, Start: true}})
		visits, worst := 0, 0.0
		for {
			var s *Snapshot
			for s = x.s.Snapshot(); s.State != Held && s.State != Complete; s = x.s.Snapshot() {
				worst = math.Max(worst, math.Abs(x.rig.LateralOffsetMM()))
				if s.State == Idle || s.State == Aborted || s.State == Stopped {
					t.Fatalf("%s: %s; %d made", s.State, s.Cause.Text, s.Lot.Made)
				}
				time.Sleep(time.Minute)
			}
			if s.State == Complete {
				break
			}
			if s.Cause.Code != CauseOffset {
				t.Fatalf("held for %s: %s", s.Cause.Code, s.Cause.Text)
			}
			visits++
			mm := math.Round(4*x.rig.LateralOffsetMM()) / 4
			v := &Visit{OffsetMM: &mm, Good: s.Lot.Unverified}
			if v.Realigned = math.Abs(mm) > 1.5; v.Realigned {
				x.rig.Realign(0)
			}
			x.do(Request{Visit: v})
			x.do(Request{Command: Unhold})
			x.until(Execute, time.Hour)
			if visits == 3 {
				before := x.s.Snapshot().Belt.Drift
				x.stop()
				x.start()
				x.until(Idle, time.Hour)
				after := x.s.Snapshot().Belt.Drift
				if before.N != after.N || before.N < 3 || math.Abs(*before.RateMMPerM-*after.RateMMPerM) > 1e-9 {
					t.Errorf("after a restart the forecast is %+v, was %+v", after, before)
				}
				x.rig.ClearBelt()
				x.do(Request{Visit: &Visit{BeltCleared: true, Interrupted: "scrap"}})
				x.do(Request{Command: Start})
				x.until(Execute, time.Hour)
			}
		}
		travel := x.rig.BeltTravelMM() / 1000
		t.Logf("%d visits in %.1f m, furthest out %.2f mm", visits, travel, worst)
		if worst > set.OffsetLimitMM {
			t.Errorf("the belt came %.2f mm out, the limit is %g", worst, set.OffsetLimitMM)
		}
		if byWorstRate := int(travel / (set.OffsetLimitMM / set.WorstDriftMMPerM)); visits >= byWorstRate {
			t.Errorf("%d visits; the assumed rate alone asks for %d", visits, byWorstRate)
		}
		x.stop()
	})
}

// TestRealignIsAdvised beyond half the limit, and not before or after it was done.
func TestRealignIsAdvised(t *testing.T) {
	set := testSettings().withDefaults()
	set.WorstDriftMMPerM = 0.05
	for _, c := range []struct {
		mm        float64
		realigned bool
		want      bool
	}{{1.4, false, false}, {-1.6, false, true}, {-1.6, true, false}} {
		m := newMachine(set)
		m.fold(ledger.CheckRecorded{Check: ledger.Check{ID: 1, OffsetMM: &c.mm}}, m.now)
		if got := m.realignText(&Visit{OffsetMM: &c.mm, Realigned: c.realigned}) != ""; got != c.want {
			t.Errorf("%+v: advised %t", c, got)
		}
	}
	if newMachine(set).realignText(&Visit{}) != "" {
		t.Error("advised without an offset")
	}
}
