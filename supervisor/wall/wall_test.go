package wall

import (
	"testing"
	"testing/synctest"
	"time"
)

// What a clock set by years shows, against arithmetic of package time; and that lengths of time do not notice.
func TestASetClock(t *testing.T) {
	t.Run("outside", clockTest)
	t.Run("in a bubble", func(t *testing.T) { synctest.Test(t, clockTest) })
}

func clockTest(t *testing.T) {
	var c Clock
	before := c.Now()
	for _, by := range []time.Duration{5 * 365 * 24 * time.Hour, -5 * 365 * 24 * time.Hour, -56 * 365 * 24 * time.Hour, time.Hour, -time.Hour, 0} {
		c.SetBy(by)
		now := c.Now()
		if d := now.Round(0).Sub(time.Now().Round(0)) - by; d.Abs() > time.Second {
			t.Errorf("set by %s it shows %s: %s off", by, now, d)
		}
		if d := now.Sub(before); d < 0 || d > time.Minute {
			t.Errorf("set by %s, %s have gone by", by, d)
		}
		if u := now.Add(time.Hour).Sub(c.Now()); u > time.Hour || u < 59*time.Minute {
			t.Errorf("set by %s, an hour from now is %s away", by, u)
		}
	}
	boot := time.Date(1970, 1, 1, 0, 0, 5, 0, time.UTC)
	c.SetTo(boot)
	if d := c.Now().Round(0).Sub(boot); d.Abs() > 2*time.Second {
		t.Errorf("set to 1970 it shows %s", c.Now())
	}
}
