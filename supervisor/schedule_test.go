package supervisor

import (
	"slices"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// TestSchedule follows a lot of 40 by its rules: every 10 parts a check, which begins
// all intervals anew, and the end. Visits that come soon after another are one with it.
func TestSchedule(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.PartEveryParts, set.CheckEveryMM = 10, 20_000 // 11 clips: as good as together
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
