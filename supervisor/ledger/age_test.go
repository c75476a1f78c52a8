package ledger

import (
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/supervisor/wall"
)

// How long ago something was is at least what has gone by for certain, whatever the clock shows; by a right clock it is
// that. Lengths are sums by hand.
func TestAgeByAWrongClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var clock wall.Clock
		path := filepath.Join(t.TempDir(), "ledger.db")
		again := func() *Ledger {
			l, err := Open(path, Options{Now: clock.Now})
			if err != nil {
				t.Fatal(err)
			}
			return l
		}
		l := again()
		if l.Before().Seq != 0 {
			t.Errorf("before the first start: %+v", l.Before())
		}
		time.Sleep(time.Minute)
		commit(t, l, AlertQueued{Alert{ID: "a", Kind: "hold"}})
		time.Sleep(2 * time.Hour)
		commit(t, l, EventNoted{"note", "the last sign of life"})
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(30 * time.Minute)
		const years = 5 * 365 * 24 * time.Hour
		for _, c := range []struct{ by, want time.Duration }{{0, 2*time.Hour + 40*time.Minute}, {-years, 2*time.Hour + 10*time.Minute},
			{-time.Hour, 2*time.Hour + 10*time.Minute}, {years, years + 2*time.Hour + 40*time.Minute}} {
			clock.SetBy(c.by)
			l := again()
			s := l.Before()
			s.Seq, s.At, s.SinceStart = 1, s.At.Add(-2*time.Hour), s.SinceStart-2*time.Hour // the row of the alert
			now := clock.Now().Add(10 * time.Minute)
			if got := l.Age(s, now); (got - c.want).Abs() > time.Second {
				t.Errorf("clock set by %s: %s ago, want %s", c.by, got, c.want)
			}
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
		}
	})
}
