package supervisor

import (
	"context"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// TestAVisitIsToldAhead once, within the configured time, and again for the next visit.
func TestAVisitIsToldAhead(t *testing.T) {
	withoutRace(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts, set.VisitAhead = 6, 10*time.Minute
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{12}, Start: true}})
		told := func() (n int) {
			list, err := x.ledger.PendingAlerts(context.Background(), "any", time.Now(), 100)
			if err != nil {
				t.Fatal(err)
			}
			for _, a := range list {
				if a.Kind == CauseVisit {
					n++
					if !strings.Contains(a.Text, "a visit is due about") {
						t.Errorf("told: %s", a.Text)
					}
				}
			}
			return n
		}
		var first time.Time
		for x.s.Snapshot().State != Held {
			time.Sleep(time.Second)
			if first.IsZero() && told() > 0 {
				first = time.Now()
			}
		}
		if ahead := time.Since(first); told() != 1 || ahead > 13*time.Minute || ahead < 7*time.Minute {
			t.Errorf("told %d times, first %s before the hold", told(), ahead)
		}
		x.do(Request{Visit: &Visit{Good: 6}})
		x.do(Request{Command: Unhold})
		x.until(Complete, 3*time.Hour)
		if n := told(); n < 2 {
			t.Errorf("the second visit was not told: %d", n)
		}
	})
}

// TestWhoeverActsKnows: commands, checks and acknowledgements are responses; a refused request is not.
func TestWhoeverActsKnows(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		last := func() ledger.Responded {
			t.Helper()
			r, err := x.ledger.LastResponse(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		if r := last(); r.Stamp.Seq != 0 {
			t.Errorf("before anybody acts: %+v", r)
		}
		x.do(Request{Acknowledge: true, By: "Ada"})
		r := last()
		if r.What != "acknowledged" || r.By != "Ada" {
			t.Errorf("%+v", r)
		}
		x.refuse(Request{Command: Unhold})
		if again := last(); again.Stamp.Seq != r.Stamp.Seq {
			t.Errorf("a refusal counts as acting: %+v", again)
		}
		x.do(Request{Visit: &Visit{BinEmptied: true}, By: "Ben"})
		if r := last(); r.What != "check" || r.By != "Ben" {
			t.Errorf("%+v", r)
		}
		x.do(Request{Command: Stop})
		if r := last(); r.What != "stop" {
			t.Errorf("%+v", r)
		}
	})
}
