package supervisor

import (
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// TestFirstArticle: a lot holds after its first part until a check finds that part good. What was found is
// kept with the job: the next lot of the same file does not hold, over a restart too; a new belt surface
// makes the next part a first article again.
func TestFirstArticle(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.FirstArticle = true
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		lot := func(good int) *LotRequest {
			return &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{good}, Start: true}
		}
		if r := x.do(Request{Lot: lot(3)}); !strings.Contains(r.Text, "holds after the first part") {
			t.Errorf("opened: %q", r.Text)
		}
		s := x.until(Execute, 2*time.Hour)
		if n := s.Next; n.Reason != CauseFirstArticle || n.Parts != 1 || len(s.Later) != 1 {
			t.Errorf("next visit %+v, later %+v", n, s.Later)
		}
		s = x.until(Held, 4*time.Hour)
		if s.Cause.Code != CauseFirstArticle || s.Lot.Made != 1 || !strings.Contains(s.Cause.Text, "first layer") || s.Lot.Jobs[0].FirstArticle.State != "waits" {
			t.Fatalf("%d made, %+v, %+v", s.Lot.Made, s.Cause, s.Lot.Jobs[0].FirstArticle)
		}
		x.refuse(Request{Command: Unhold})
		far := 0.1
		x.do(Request{Visit: &Visit{OffsetMM: &far}}) // says nothing of the part
		if err := x.refuse(Request{Command: Unhold}); !strings.Contains(err.Error(), "first article") {
			t.Errorf("after a check without it: %v", err)
		}
		if a := x.s.Snapshot().Advice; !strings.Contains(a, "--good 1") {
			t.Errorf("advice %q", a)
		}
		x.do(Request{Visit: &Visit{Scrap: map[string]int{"first layer": 1}}}) // the next one is a first article again
		x.do(Request{Command: Unhold})
		x.until(Execute, time.Hour)
		if s = x.until(Held, 4*time.Hour); s.Cause.Code != CauseFirstArticle || s.Lot.Made != 2 {
			t.Fatalf("after scrap: %d made, %+v", s.Lot.Made, s.Cause)
		}
		x.do(Request{Visit: &Visit{Good: 1, LengthsMM: []float64{20.04}, Note: "first layer even"}, By: "Ada"})
		x.do(Request{Command: Unhold})
		s = x.until(Complete, 4*time.Hour)
		a := s.Lot.Jobs[0].FirstArticle
		if s.Lot.Made != 4 || a.State != "good" || a.By != "Ada" || len(a.LengthsMM) != 1 || a.Note != "first layer even" || a.LotID != 1 {
			t.Fatalf("%d made, %+v", s.Lot.Made, a)
		}
		x.do(Request{Visit: &Visit{Good: 2, BeltCleared: true, Realigned: true}})

		x.restart()
		time.Sleep(10 * time.Minute)
		if r := x.do(Request{Lot: lot(2)}); !strings.Contains(r.Text, "was found good: check 3") {
			t.Errorf("the same job again: %q", r.Text)
		}
		if s = x.until(Complete, 4*time.Hour); s.Lot.Made != 2 {
			t.Errorf("the same job again: %d made", s.Lot.Made)
		}
		x.do(Request{Visit: &Visit{Good: 2, BeltCleared: true, Surface: "taped"}})

		x.do(Request{Lot: lot(2)})
		if s = x.until(Held, 4*time.Hour); s.Cause.Code != CauseFirstArticle || s.Lot.Made != 1 {
			t.Fatalf("on a new surface: %d made, %+v", s.Lot.Made, s.Cause)
		}
		x.do(Request{Command: Unhold, Override: "seen through the window"})
		x.until(Complete, 4*time.Hour)
		x.do(Request{Visit: &Visit{Good: 2, BeltCleared: true, Surface: "taped"}})

		without := lot(2)
		without.NoFirstArticle = "a reprint of yesterday's"
		x.do(Request{Lot: without})
		if s = x.until(Complete, 4*time.Hour); s.Lot.Made != 2 || s.Lot.Jobs[0].FirstArticle.Why != "a reprint of yesterday's" {
			t.Errorf("without: %d made, %+v", s.Lot.Made, s.Lot.Jobs[0].FirstArticle)
		}
	})
}

// articleTwin says by the records alone whether a part may begin. It knows one job.
type articleTwin struct {
	wanted, waived, good bool
	made, counted        int // of the lot: on this surface, and good or scrap by its checks
	before               int // made on an earlier surface
	unsure               bool
}

// take follows a record, and returns what is wrong with it.
func (a *articleTwin) take(r ledger.Record) string {
	switch r := r.(type) {
	case ledger.LotOpened:
		*a = articleTwin{good: a.good, unsure: a.unsure}
	case ledger.FirstArticle:
		a.wanted = r.Wanted
	case ledger.CycleMade:
		a.made++
	case ledger.CycleDecided:
		if r.CheckID != 0 {
			a.made, a.counted = a.made+1, a.counted+1
		}
	case ledger.CheckRecorded:
		if a.unsure = a.unsure || r.Check.Corrects != 0; a.unsure || r.Check.LotID == 0 {
			break
		}
		a.counted += r.Check.Good + ledger.Sum(r.Check.Scrap)
		a.good = a.good || r.Check.Good > 0 && a.made > 0
	case ledger.SurfaceRenewed:
		a.good, a.waived, a.before, a.made = false, false, a.before+a.made, 0
		a.unsure = true // what lay on the old surface may be counted later
	case ledger.EventNoted:
		a.waived = a.waived || r.Kind == "override"
	case ledger.CycleBegun:
		if a.wanted && !a.waived && !a.good && !a.unsure && a.made > 0 && a.before+a.made > a.counted {
			return "a part begins while a first article waits"
		}
	}
	return ""
}
