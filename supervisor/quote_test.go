package supervisor

import (
	"math"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// TestQuote: a lot that is not opened is foreseen as it is once it is, and leaves no trace.
func TestQuote(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.set.CheckEveryParts = 5
		x.start()
		x.until(Idle, time.Hour)
		p := x.plan(pegJob)
		order := &LotRequest{Plans: []*job.Plan{p}, Good: []int{18}}
		before, err := x.ledger.Events(t.Context(), 1000, 0)
		if err != nil {
			t.Fatal(err)
		}
		q := x.do(Request{Quote: order}).Quote
		if q == nil || q.Parts != 18 || math.Abs(q.FilamentG-18*p.FilamentG) > 1e-9 || q.Behind || !q.Assumed {
			t.Fatalf("%+v", q)
		}
		if !(q.Early.Before(q.At) && q.At.Before(q.Late)) || !(q.Making.Low < q.Making.Median && q.Making.Median < q.Making.High) || q.Making.Low < 18*p.Duration {
			t.Errorf("from %v to %v, %+v", q.Early, q.Late, q.Making)
		}
		after, err := x.ledger.Events(t.Context(), 1000, 0)
		if err != nil || len(after) != len(before) || x.s.Snapshot().Lot != nil {
			t.Errorf("the question left %d events where %d were: %v", len(after), len(before), err)
		}
		if bad := x.do(Request{Quote: &LotRequest{Plans: []*job.Plan{p}, Good: []int{0}}}).Quote; bad != nil {
			t.Errorf("a lot of nothing takes %+v", bad)
		}
		order.Start = true
		x.do(Request{Lot: order})
		x.until(Execute, time.Hour)
		s := x.s.Snapshot()
		later := append([]NextVisit{*s.Next}, s.Later...)
		if len(q.Visits) == 0 || len(later) != len(q.Visits)+1 {
			t.Fatalf("%d visits were foreseen, %d are", len(q.Visits), len(later)-1)
		}
		for i, v := range q.Visits {
			if v.Parts != later[i].Parts || v.Reason != later[i].Reason {
				t.Errorf("visit %d after %d parts (%s), then after %d (%s)", i+1, v.Parts, v.Reason, later[i].Parts, later[i].Reason)
			}
		}
		if q := x.do(Request{Quote: order}).Quote; !q.Behind || q.Parts != 18 {
			t.Errorf("behind a lot: %+v", q)
		}
		x.stop()
	})
}
