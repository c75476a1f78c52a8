package supervisor

import (
	"context"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
	"beltwarden/supervisor/wall"
)

// clockNotes lists the ledger's events about the clock.
func (x *run) clockNotes() (list []string) {
	x.t.Helper()
	events, err := x.ledger.Events(context.Background(), 0, 0)
	if err != nil {
		x.t.Fatal(err)
	}
	for _, e := range events {
		if e.Kind == "clock" {
			list = append(list, e.Text)
		}
	}
	return list
}

const fiveYears = 5 * 365 * 24 * time.Hour

func TestAClockThatIsSetIsNoted(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		var clock wall.Clock
		set := testSettings()
		set.Now = clock.Now
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		time.Sleep(10 * time.Minute)
		if notes := x.clockNotes(); len(notes) > 0 {
			t.Errorf("of a right clock is said: %q", notes)
		}
		for i, c := range []struct {
			by   time.Duration
			says string
		}{{fiveYears, "forward by about 5 years"}, {0, "back by about 5 years"}, {-time.Hour, "back by about 60 minutes"},
			{-time.Hour - 30*time.Second, ""}, {0, "forward by about 61 minutes"}, {-56 * 365 * 24 * time.Hour, "back by about 56 years"}} {
			before := len(x.clockNotes())
			clock.SetBy(c.by)
			time.Sleep(time.Minute)
			notes := x.clockNotes()[before:]
			if c.says == "" && len(notes) > 0 || c.says != "" && (len(notes) != 1 || !strings.Contains(notes[0], c.says)) {
				t.Errorf("%d: %q, want %q", i, notes, c.says)
			}
			s := x.s.Snapshot()
			if d := s.At.Round(0).Sub(s.Since.Round(0)); d < 0 || d > time.Hour {
				t.Errorf("%d: Idle is told to be for %s", i, d)
			}
		}
		clock.SetBy(0)
		time.Sleep(time.Minute)
		x.stop()

		clock.SetBy(-fiveYears) // behind the newest record
		x.start()
		s := x.until(Idle, time.Minute)
		if notes := x.clockNotes(); !strings.Contains(s.Clock, "the newest record is of 2000-01-01") || !strings.HasSuffix(notes[len(notes)-1], s.Clock) {
			t.Errorf("told as %q, noted as %q", s.Clock, notes[len(notes)-1])
		}
		clock.SetBy(0)
		time.Sleep(time.Minute)
		if s := x.s.Snapshot(); s.Clock != "" {
			t.Errorf("of a right clock is told: %s", s.Clock)
		}
		x.stop()
	})
}

// TestAttendedHoursWithoutAClock: with attended hours and an unset clock no part begins. Once the
// clock is set, a request continues the lot.
func TestAttendedHoursWithoutAClock(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		var clock wall.Clock
		set := testSettings()
		set.Now, set.ClockFloor, set.Attended = clock.Now, time.Now(), pace.Hours{ToMin: 23 * 60}
		clock.SetTo(time.Date(1970, 1, 1, 3, 0, 0, 0, time.Local))
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		res := x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{2}}})
		if err := x.refuse(Request{Command: Start}); !strings.Contains(err.Error(), "is not set: it shows 1970-01-01") {
			t.Errorf("refused with: %v", err)
		}
		clock.SetBy(time.Hour)
		x.do(Request{Command: Start})
		x.until(Execute, time.Hour)
		if s := x.s.Snapshot(); s.Clock != "" {
			t.Errorf("of a right clock is told: %s", s.Clock)
		}
		clock.SetTo(time.Date(1970, 1, 1, 3, 0, 0, 0, time.Local))
		s := x.until(Suspended, 5*time.Hour) // after the part
		if s.Cause.Code != CauseUnattended || !strings.Contains(s.Cause.Text, "the computer's clock cannot show") || x.counts(res.LotID).Made != 1 {
			t.Errorf("%+v; made %d", s.Cause, x.counts(res.LotID).Made)
		}
		clock.SetBy(time.Hour)
		x.do(Request{Command: Unsuspend})
		x.until(Complete, 5*time.Hour)
		x.stop()
	})
}

// TestGapsByAWrongClock: the time without a daemon, with clocks that were set between two starts. The
// sums are by hand.
func TestGapsByAWrongClock(t *testing.T) {
	noon := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	at := func(seq, boot int64, wall time.Time, since time.Duration) ledger.Stamp {
		return ledger.Stamp{Seq: seq, Boot: boot, At: wall, SinceStart: since}
	}
	from := at(1, 1, noon, time.Hour)
	boot1970 := time.Date(1970, 1, 1, 0, 0, 10, 0, time.UTC)
	for name, c := range map[string]struct {
		to, last ledger.Stamp
		gap      time.Duration
		known    bool
		length   time.Duration
	}{
		"right":                       {at(2, 2, noon.Add(time.Hour), 0), at(3, 2, noon.Add(2*time.Hour), time.Hour), time.Hour, true, time.Hour},
		"set by the network later":    {at(2, 2, boot1970, 10*time.Second), at(3, 2, noon.Add(2*time.Hour), time.Hour), time.Hour + 10*time.Second, true, time.Hour + 10*time.Second},
		"never set":                   {at(2, 2, boot1970, 10*time.Second), at(3, 2, boot1970.Add(time.Hour), time.Hour+10*time.Second), 0, false, 10 * time.Second},
		"ahead by years":              {at(2, 2, noon.Add(fiveYears), 10*time.Second), at(3, 2, noon.Add(fiveYears+time.Minute), 70*time.Second), 0, false, 10 * time.Second},
		"an hour back over a restart": {at(2, 2, noon.Add(-time.Hour), 10*time.Second), at(3, 2, noon.Add(-time.Hour), 10*time.Second), 0, false, 10 * time.Second},
	} {
		times := ledger.Times{Last: map[int64]ledger.Stamp{1: from, 2: c.last}}
		gap, known := times.Gap(from, c.to)
		if known != c.known || known && gap != c.gap {
			t.Errorf("%s: a gap of %s (%v), want %s (%v)", name, gap, known, c.gap, c.known)
		}
		if length, exact := times.Length(from, c.to, noon); length != c.length || exact {
			t.Errorf("%s: a length of %s (exact %v), want %s", name, length, exact, c.length)
		}
	}
}
