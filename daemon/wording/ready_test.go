package wording_test

import (
	"testing"
	"time"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
)

// TestReadyText: what the time of the last good part rests on stands beside it.
func TestReadyText(t *testing.T) {
	now := time.Date(2000, 1, 3, 9, 0, 0, 0, time.Local)
	in := func(d time.Duration) time.Time { return now.Add(d) }
	view := supervisor.ReadyView{At: in(5 * time.Hour), Early: in(4 * time.Hour), Late: in(9 * time.Hour), Stops: 3, Waits: 12, Wait: 14 * time.Minute, Scrap: 4, Yield: 0.9}
	for _, c := range []struct {
		alter func(*supervisor.ReadyView)
		want  string
	}{
		{func(*supervisor.ReadyView) {}, "40 good about 14:00, between 13:00 and 18:00 with 95 % certainty, with 3 stops as long as the last 12 (half of them under 14 min), and about 4 more parts for scrap"},
		{func(r *supervisor.ReadyView) { r.Waits, r.Wait, r.Scrap, r.Assumed = 0, 0, 1, true }, "40 good about 14:00, between 13:00 and 18:00 with 95 % certainty, if you are there at once at each of 3 stops, and about 1 more part for scrap, if 90 % come out good"},
		{func(r *supervisor.ReadyView) { r.Waits, r.Stops, r.Scrap, r.Unseen = 0, 0, 0, true }, "40 good about 14:00, between 13:00 and 18:00, a guess"},
	} {
		r := view
		c.alter(&r)
		if got := wording.ReadyText(&supervisor.LotView{Ordered: 40, Ready: &r}, now); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
	if got := wording.ReadyText(&supervisor.LotView{Ordered: 40}, now); got != "" {
		t.Errorf("nothing is known: %q", got)
	}
}
