package supervisor

import (
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/supervisor/job"
)

// TestTimesAreForetold asks at every kind of moment of a lot on heaters that are known when
// somebody must be there, and compares it with when the machine called: cold, in the first
// part, between parts, while it warms up again after a hold and in the part after it.
func TestTimesAreForetold(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.PartEveryParts = 3
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
				t.Fatalf("%s: no visit is told in %s", when, s.State)
			}
			words = append(words, word{when, time.Now(), *s.Next, s.Lot.DoneAt, s.Lot.DoneEarly, s.Lot.DoneLate, s.Lot.DoneUnseen})
		}
		judge := func(share float64) {
			t.Helper()
			for _, w := range words {
				took, off := time.Since(w.at), time.Until(w.visit.At)
				t.Logf("%-28s told %v ahead, it took %v, off by %v; between %v and %v ahead", w.when, w.visit.At.Sub(w.at).Round(time.Second),
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
		parted := func() { // until no part is made any more
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
		judge(0.1) // what moving off takes is not known before the first
		x.until(Held, time.Hour)
		time.Sleep(2 * time.Hour) // the heaters have been off for long
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
