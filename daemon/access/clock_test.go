package access

import (
	"testing"
	"time"

	"beltwarden/supervisor/wall"
)

// Sessions end by lengths of time that a clock which is set does not change, and guesses are forgiven by them.
func TestASetClockNeitherEndsNorProlongsASession(t *testing.T) {
	var clock wall.Clock
	begun := clock.Now()
	s := &session{begun: begun, used: begun}
	for _, by := range []time.Duration{5 * 365 * 24 * time.Hour, -5 * 365 * 24 * time.Hour, -56 * 365 * 24 * time.Hour, time.Hour, -time.Hour} {
		clock.SetBy(by)
		now := clock.Now()
		if s.expired(now) || s.expired(now.Add(sessionIdle-time.Minute)) || !s.expired(now.Add(sessionIdle)) {
			t.Errorf("clock set by %s: the session ends at another time", by)
		}
		f := &failures{at: begun, count: maxFailures}
		if wait := f.blockedFor(now, maxFailures, forgiveEvery); wait <= 0 || wait > forgiveEvery {
			t.Errorf("clock set by %s: an address is turned away for %s", by, wait)
		}
		if wait := f.blockedFor(now.Add(forgiveEvery), maxFailures, forgiveEvery); wait != 0 {
			t.Errorf("clock set by %s: an address is turned away for %s more", by, wait)
		}
	}
}
