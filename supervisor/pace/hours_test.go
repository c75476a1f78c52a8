package pace

import (
	"testing"
	"time"
)

func TestHours(t *testing.T) {
	at := func(h, m int) time.Time { return time.Date(2026, 3, 1, h, m, 0, 0, time.Local) }
	early, night := Hours{7 * 60, 22*60 + 30}, Hours{22 * 60, 6 * 60}
	for _, c := range []struct {
		h    Hours
		t    time.Time
		want time.Duration
	}{{early, at(7, 0), 15*time.Hour + 30*time.Minute}, {early, at(22, 0), 30 * time.Minute}, {early, at(22, 30), 0}, {early, at(3, 0), 0},
		{night, at(23, 0), 7 * time.Hour}, {night, at(5, 59), time.Minute}, {night, at(12, 0), 0}} {
		if got := c.h.Left(c.t); got != c.want {
			t.Errorf("%s at %s: %v left, want %v", c.h, c.t.Format("15:04"), got, c.want)
		}
	}
	if s := early.String(); s != "07:00 to 22:30" || early.Always() || !(Hours{}).Always() {
		t.Errorf("%s, always %t", s, early.Always())
	}
}
