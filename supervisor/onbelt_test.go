package supervisor

import (
	"math"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
)

// TestPartsOnBeltAreTheMachines: the parts shown on the belt are those of the machine's own record,
// while a lot runs, after a restart, and after the belt was cleared.
func TestPartsOnBeltAreTheMachines(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		x := newRun(t, testRig(), set)
		p := x.plan(pegJob)
		x.set.ReleaseC, x.set.CheckEveryParts, x.set.ToDropMM = 0, 5, 3.5*p.PitchMM
		x.start()
		x.until(Idle, time.Hour)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{p}, Good: []int{8}, Start: true}})
		x.until(Held, 100*time.Hour)
		compare := func(when string, slipMM float64) {
			t.Helper()
			var want []rig.Part
			for _, q := range x.rig.Parts() {
				if x.rig.BeltAdvanceMM()-q.ToMM < x.set.ToDropMM {
					want = append(want, q)
				}
			}
			got := x.s.Snapshot().Belt.Parts
			if len(got) != len(want) || len(want) < 2 {
				t.Fatalf("%s: %d parts are shown, %d lie there", when, len(got), len(want))
			}
			for i, q := range want {
				rear, front := x.rig.BeltAdvanceMM()-q.ToMM, x.rig.BeltAdvanceMM()-q.FromMM
				if g := got[i]; g.Making || math.Abs(g.RearMM-rear) > slipMM || math.Abs(g.FrontMM-front) > slipMM {
					t.Errorf("%s: part %d is shown from %g to %g, and lies from %g to %g", when, i, g.RearMM, g.FrontMM, rear, front)
				}
			}
		}
		compare("held", 0.2)
		if g := x.s.Snapshot().Belt.Parts; g[len(g)-1].Ordinal != 5 || g[0].XMM != p.ExtentMM.X {
			t.Errorf("%+v", g)
		}
		x.stop()
		x.start()
		x.until(Idle, time.Hour)
		compare("after a restart", 0.2+rig.DefaultSettings().Belt.SlipOnReleaseMM)
		x.do(Request{Visit: &Visit{Good: 5, BeltCleared: true}})
		if got := x.s.Snapshot().Belt.Parts; len(got) != 0 {
			t.Errorf("after the belt was cleared %d parts are shown", len(got))
		}
		x.stop()
		x.start()
		if got := x.s.Snapshot().Belt.Parts; len(got) != 0 {
			t.Errorf("after the belt was cleared and a restart %d parts are shown", len(got))
		}
		x.stop()
	})
}

// TestPartBeingMadeIsShown at its place.
func TestPartBeingMadeIsShown(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		p := x.plan(pegJob)
		x.start()
		x.until(Idle, time.Hour)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{p}, Good: []int{1}, Start: true}})
		x.until(Execute, time.Hour)
		for range 10_000 {
			if parts := x.s.Snapshot().Belt.Parts; len(parts) == 1 && parts[0].Making {
				if g := parts[0]; g.Ordinal != 1 || g.FrontMM <= g.RearMM || g.FrontMM-g.RearMM-(p.Placing.FootprintMM[1]-p.Placing.FootprintMM[0]) > 1e-9 {
					t.Errorf("%+v", g)
				}
				x.stop()
				return
			}
			time.Sleep(100 * time.Millisecond)
		}
		t.Error("no part was shown while it was made")
		x.stop()
	})
}

// TestInterruptedPartIsShown where it lies, over a restart, until somebody has decided on it; and the next part a
// pitch behind the one that is made.
func TestInterruptedPartIsShown(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.hot = true // an aborted board answers no more
		p := x.plan(pegJob)
		x.start()
		x.until(Idle, time.Hour)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{p}, Good: []int{2}, Start: true}})
		x.until(Execute, time.Hour)
		for range 10_000 {
			if parts := x.s.Snapshot().Belt.Parts; len(parts) == 1 && parts[0].Making && x.rig.BeltAdvanceMM() > 1 {
				break
			}
			time.Sleep(100 * time.Millisecond)
		}
		b := x.s.Snapshot().Belt
		if b.NextPart == nil || len(b.Parts) != 1 || math.Abs(b.Parts[0].RearMM-b.NextPart.RearMM-p.PitchMM) > 1e-9 || b.NextPart.XMM != p.ExtentMM.X {
			t.Fatalf("next %+v, parts %+v", b.NextPart, b.Parts)
		}
		x.do(Request{Command: Abort})
		x.until(Aborted, time.Hour)
		shown := func(when string) {
			t.Helper()
			now := x.s.Snapshot().Belt
			if len(now.Parts) != 1 || !now.Parts[0].Interrupted || now.Parts[0].Making || math.Abs(now.Parts[0].RearMM-now.AdvanceMM-b.Parts[0].RearMM+b.AdvanceMM) > 1e-6 {
				t.Fatalf("%s: %+v, and it lay at %+v", when, now.Parts, b.Parts)
			}
		}
		shown("aborted")
		x.stop()
		x.start()
		shown("after a restart")
		x.do(Request{Visit: &Visit{Interrupted: "scrap", BeltCleared: true}})
		if got := x.s.Snapshot().Belt; len(got.Parts) != 0 {
			t.Errorf("after it was taken off: %+v", got.Parts)
		}
		x.stop()
	})
}

// TestFaultsOfAVisitNameTheirFields.
func TestFaultsOfAVisitNameTheirFields(t *testing.T) {
	m := newMachine(testSettings())
	far, negative := 1e6, -5.0
	faults := m.visitFaults(&Visit{OffsetMM: &far, LengthsMM: []float64{-1}, SpoolG: &negative, Interrupted: "good", Good: 3, Surface: "painted", DetachedMin: []float64{-1}})
	seen := map[string]bool{}
	for _, f := range faults {
		if f.Text == "" {
			t.Errorf("%+v says nothing", f)
		}
		seen[f.Field] = true
	}
	for _, field := range []string{"offset_mm", "lengths_mm", "spool_g", "interrupted", "good", "surface", "detached_min"} {
		if !seen[field] {
			t.Errorf("nothing is said of %s: %+v", field, faults)
		}
	}
}
