package supervisor

import (
	"math/rand/v2"
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

// TestReadyGoesByAttendedHours: what is not done in the evening goes on in the morning.
func TestReadyGoesByAttendedHours(t *testing.T) {
	at := func(h float64) time.Time {
		return time.Date(2000, 1, 3, 0, 0, 0, 0, time.Local).Add(time.Duration(h * float64(time.Hour)))
	}
	none := func() time.Duration { return 0 }
	for _, r := range []struct {
		from, hours, to float64
		span            Span
	}{
		{9, 3, 12, Span{8 * 60, 18 * 60}},
		{16, 3, 33, Span{8 * 60, 18 * 60}},
		{6, 1, 9, Span{8 * 60, 18 * 60}},
		{20, 20, 32 + 34, Span{8 * 60, 18 * 60}},
		{23, 2, 25, Span{22 * 60, 6 * 60}},
		{5, 2, 23, Span{22 * 60, 6 * 60}},
		{5, 50, 55, Span{}},
	} {
		c := course{now: at(r.from), attended: r.span}
		if got := c.over(time.Duration(r.hours*float64(time.Hour)), none); (got - at(r.to).Sub(at(r.from))).Abs() > time.Minute {
			t.Errorf("%g h from %g o'clock, attended %v: %v", r.hours, r.from, r.span, got)
		}
	}
}

// TestBinomial compares mean and variance with the closed form, for few parts and for many.
func TestBinomial(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		n int
		p float64
	}{{0, 0.5}, {5, 0}, {5, 1}, {7, 0.3}, {40, 0.1}, {99, 0.9}, {1000, 0.004}, {1000, 0.2}} {
		const draws = 20000
		sum, squares := 0.0, 0.0
		for range draws {
			k := float64(binomial(r, c.n, c.p))
			sum, squares = sum+k, squares+k*k
		}
		mean, want := sum/draws, float64(c.n)*c.p
		variance := squares/draws - mean*mean
		if d := mean - want; d*d > 25*(want*(1-c.p)+1e-9)/draws || variance > 1.1*want*(1-c.p)+1e-9 || variance < 0.9*want*(1-c.p) {
			t.Errorf("of %d with %g: mean %g, variance %g; want %g and %g", c.n, c.p, mean, variance, want, want*(1-c.p))
		}
	}
}
