package supervisor

import (
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// TestWaitsForPeopleCount: how long somebody took to come to each stop is remembered over a
// restart, and counts in when the ordered parts are there.
func TestWaitsForPeopleCount(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.PartEveryParts = 2
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{30}, Start: true}})
		const late = 10 * time.Minute
		for stop := range leastWaits {
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
		if r.Waits != leastWaits || (r.Wait-late).Abs() > 5*time.Second || r.Stops != 6 {
			t.Errorf("after %d waits of %v: %+v", leastWaits, late, r)
		}
		if more := r.At.Sub(s.Lot.DoneAt); more < 50*time.Minute || more > 12*time.Hour || !r.Early.Before(r.At) || !r.At.Before(r.Late) {
			t.Errorf("%v later than without stops: %+v", more, r)
		}
		x.until(Held, 24*time.Hour)
		time.Sleep(time.Hour) // its heaters are off by then
		x.stop()
		x.start()
		defer x.stop()
		m := &Machine{set: x.set}
		if err := m.loadWaits(t.Context(), x.ledger); err != nil || len(m.waits) != leastWaits || (m.waits[0]-late).Abs() > 5*time.Second {
			t.Errorf("after a restart: %v (%v)", m.waits, err)
		}
		for range 2 * mostWaits {
			m.wait(CauseBin, time.Minute)
			m.wait(CauseUnattended, time.Hour)
		}
		if len(m.waits) != mostWaits || m.waits[0] != time.Minute {
			t.Errorf("%d waits are remembered: %v", len(m.waits), m.waits)
		}
	})
}
