package supervisor

import (
	"encoding/json"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
)

// TestSchedule follows a lot of 40 by its rules: a check every 10 parts, which restarts all intervals,
// and the end. Visits due soon after another are combined with it.
func TestSchedule(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts, set.CheckEveryMM = 10, 20_000 // 11 clips: close enough to combine
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{40}, Start: true}})
		x.until(Execute, 2*time.Hour)
		time.Sleep(time.Minute)
		s := x.s.Snapshot()
		visits := append([]NextVisit{*s.Next}, s.Later...)
		var parts []int
		for k, v := range visits {
			parts = append(parts, v.Parts)
			if !v.Early.Before(v.At) || !v.Late.After(v.At) || len(v.Bring) == 0 {
				t.Errorf("visit %d: %+v", k, v)
			}
			if k > 0 && !v.At.After(visits[k-1].At) {
				t.Errorf("visit %d at %v, the one before at %v", k, v.At, visits[k-1].At)
			}
		}
		if want := []int{10, 20, 30, 40}; !slices.Equal(parts, want) {
			t.Errorf("visits after %v parts, want %v", parts, want)
		}
		if v := visits[0]; v.Reason != CauseCheckParts || !slices.Contains(v.Also, CauseCheckTravel) {
			t.Errorf("the first: %+v", v)
		}
		if v := visits[3]; v.Reason != CauseDone {
			t.Errorf("the last: %+v", v)
		}
		x.stop()
	})
}

// TestTimesAreForetold queries, at every kind of moment of a lot on known heaters, when somebody must
// be there, and compares it with when the machine called: cold, in the first part, between parts,
// while it warms up again after a hold and in the part after it.
func TestTimesAreForetold(t *testing.T) {
	withoutRace(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts = 3
		rs := testRig()
		rs.Machine.AmbientC = 5 // so that heating up takes much longer than heating again
		x := newRun(t, rs, set)
		x.start()
		x.until(Idle, time.Minute)
		lot := func(n int) {
			x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{n}, Start: true}})
		}
		lot(3)
		x.until(Complete, 24*time.Hour)
		time.Sleep(3 * time.Hour) // cold again
		x.do(Request{Visit: &Visit{Good: 3}})
		x.do(Request{Command: Reset})
		x.until(Idle, time.Minute)
		lot(6)
		type word struct {
			when             string
			at               time.Time
			visit            NextVisit
			end, first, last time.Time
			unseen           bool
		}
		var words []word
		ask := func(when string) {
			t.Helper()
			synctest.Wait()
			s := x.s.Snapshot()
			if s.Next == nil {
				t.Fatalf("%s: no visit is foreseen in %s", when, s.State)
			}
			words = append(words, word{when, time.Now(), *s.Next, s.Lot.DoneAt, s.Lot.DoneEarly, s.Lot.DoneLate, s.Lot.DoneUnseen})
		}
		judge := func(share float64) {
			t.Helper()
			for _, w := range words {
				took, off := time.Since(w.at), time.Until(w.visit.At)
				t.Logf("%-28s foreseen %v ahead, it took %v, off by %v; between %v and %v ahead", w.when, w.visit.At.Sub(w.at).Round(time.Second),
					took.Round(time.Second), off.Round(time.Second), w.visit.Early.Sub(w.at).Round(time.Second), w.visit.Late.Sub(w.at).Round(time.Second))
				if now := time.Now(); now.Before(w.visit.Early) || now.After(w.visit.Late) {
					t.Errorf("%s: it was between %v and %v", w.when, w.visit.Early, w.visit.Late)
				}
				if off.Abs().Seconds() > share*took.Seconds() {
					t.Errorf("%s: off by %v of %v", w.when, off, took)
				}
				if w.unseen || !w.first.Before(w.end) || !w.last.After(w.end) || w.end.Before(w.visit.At) {
					t.Errorf("%s: the lot ends at %v, between %v and %v (a guess: %t), the visit is at %v", w.when, w.end, w.first, w.last, w.unseen, w.visit.At)
				}
			}
			words = nil
		}
		parted := func() { // until no part is in progress
			for x.s.Snapshot().State == Execute {
				time.Sleep(50 * time.Millisecond)
			}
		}
		x.until(Starting, time.Minute)
		time.Sleep(time.Second)
		ask("cold")
		time.Sleep(2 * time.Minute)
		ask("two minutes on")
		x.until(Execute, time.Hour)
		time.Sleep(time.Minute)
		ask("in the first part")
		for x.s.Snapshot().Lot.Made < 1 {
			time.Sleep(time.Second)
		}
		ask("the first part cools")
		parted()
		judge(0.1) // the time to move a part off is unknown before the first
		x.until(Held, time.Hour)
		time.Sleep(2 * time.Hour) // the heaters have long been off
		x.do(Request{Visit: &Visit{Good: 3}})
		x.do(Request{Command: Unhold})
		time.Sleep(time.Second)
		ask("unholding")
		x.until(Execute, time.Hour)
		time.Sleep(time.Minute)
		ask("in the part after the hold")
		for x.s.Snapshot().Lot.Made < 4 {
			time.Sleep(time.Second)
		}
		for x.s.Snapshot().Lot.Part != 5 {
			time.Sleep(time.Second)
		}
		ask("in the part after that")
		parted()
		judge(0.025)
		x.stop()
	})
}

// TestWaitsForPeopleCount: how long somebody took to come to each stop is remembered over a restart,
// and is included in the time at which the ordered parts will have been made.
func TestWaitsForPeopleCount(t *testing.T) {
	withoutRace(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts = 2
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{30}, Start: true}})
		const late = 10 * time.Minute
		for stop := range minWaits {
			s := x.until(Held, 24*time.Hour)
			if r := s.Lot.Ready; r == nil || r.Waits != 0 || r.Stops != 13-stop {
				t.Fatalf("at stop %d: %+v", stop+1, r)
			}
			time.Sleep(late - time.Since(s.Since))
			x.do(Request{Visit: &Visit{Good: 2}})
			x.do(Request{Command: Unhold})
			x.until(Execute, time.Hour)
		}
		s := x.s.Snapshot()
		r := s.Lot.Ready
		if r.Waits != minWaits || (r.Wait-late).Abs() > 5*time.Second || r.Stops != 6 {
			t.Errorf("after %d waits of %v: %+v", minWaits, late, r)
		}
		if more := r.At.Sub(s.Lot.DoneAt); more < 50*time.Minute || more > 12*time.Hour || !r.Early.Before(r.At) || !r.At.Before(r.Late) {
			t.Errorf("%v later than without stops: %+v", more, r)
		}
		x.until(Held, 24*time.Hour)
		time.Sleep(time.Hour) // its heaters are off by then
		x.stop()
		x.start()
		defer x.stop()
		m := newMachine(x.set)
		if err := m.foldHistory(t.Context(), x.ledger); err != nil || len(m.waits) != minWaits || (m.waits[0]-late).Abs() > 5*time.Second {
			t.Errorf("after a restart: %v (%v)", m.waits, err)
		}
		for range 2 * maxWaits {
			m.addWait(CauseBin, time.Minute)
			m.addWait(CauseUnattended, time.Hour)
		}
		if len(m.waits) != maxWaits || m.waits[0] != time.Minute {
			t.Errorf("%d waits are remembered: %v", len(m.waits), m.waits)
		}
	})
}

// TestWhatLotsTeachIsKept: what a finished lot has shown of machine and room is the next process's
// prior. If that cannot be decoded from the ledger, it is learned from the beginning.
func TestWhatLotsTeachIsKept(t *testing.T) {
	oneMachine(t)
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
			m := newMachine(x.set)
			if err := m.loadLearned(t.Context(), x.ledger, time.Now()); err != nil {
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
