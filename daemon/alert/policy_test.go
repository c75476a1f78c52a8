package alert

import (
	"fmt"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // a test's place may not be on this computer

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// alertOf is one raised so long ago.
func alertOf(seq int64, kind, state string, age time.Duration, now time.Time) ledger.Alert {
	return ledger.Alert{ID: fmt.Sprintf("s-%d", seq), Kind: kind, State: state, Stamp: ledger.Stamp{Seq: seq, At: now.Add(-age)}}
}

func ids(group []ledger.Alert) string {
	var list []string
	for _, a := range group {
		list = append(list, a.ID)
	}
	return strings.Join(list, " ")
}

func messages(s sorted) string {
	var list []string
	for _, g := range s.send {
		list = append(list, ids(g))
	}
	return strings.Join(list, " | ")
}

// TestQuietHours across midnight, and on the nights when the clock is changed: it is the
// clock on the wall that counts.
func TestQuietHours(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	p := Policy{Quiet: Span{22 * 60, 7 * 60}, In: berlin}
	for text, quiet := range map[string]bool{
		"2026-03-10 21:59": false, "2026-03-10 22:00": true, "2026-03-11 00:00": true, "2026-03-11 06:59": true, "2026-03-11 07:00": false,
		"2026-03-29 03:30": true, "2026-03-29 06:59": true, "2026-03-29 07:00": false, // 2 o'clock was left out that night
		"2026-10-25 02:30": true, "2026-10-25 06:59": true, "2026-10-25 07:00": false, // and 2 o'clock came twice
	} {
		at, err := time.ParseInLocation("2006-01-02 15:04", text, berlin)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			kind, state string
			holds       bool
			kept        bool
		}{
			{supervisor.CauseVisit, "Execute", false, quiet}, {supervisor.CauseDone, "Complete", false, quiet},
			{supervisor.CauseCheckParts, "Held", false, false}, {supervisor.CauseCheckParts, "Held", true, quiet},
			{supervisor.CauseHeat, "Aborted", true, false}, {supervisor.CauseHeatOff, "Aborted", true, false},
		} {
			p.QuietHolds = c.holds
			a := alertOf(1, c.kind, c.state, 0, at)
			out := p.sort([]ledger.Alert{a}, at, 0, func(ledger.Alert) time.Duration { return 0 }, new(hour))
			if kept := out.kept.quiet == 1; kept != c.kept || kept == (len(out.send) == 1) {
				t.Errorf("%s, %s, holds kept back %v: kept back %v, want %v", text, c.kind, c.holds, kept, c.kept)
			}
		}
	}
}

// TestQuietHoursWithoutAClock: a clock that is not set keeps nothing back.
func TestQuietHoursWithoutAClock(t *testing.T) {
	p := Policy{Quiet: Span{22 * 60, 7 * 60}, In: time.UTC, ClockFloor: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)}
	for at, kept := range map[time.Time]int{time.Date(1970, 1, 1, 0, 5, 0, 0, time.UTC): 0, time.Date(2026, 1, 1, 0, 5, 0, 0, time.UTC): 1} {
		out := p.sort([]ledger.Alert{alertOf(1, supervisor.CauseVisit, "Execute", 0, at)}, at, 0, func(ledger.Alert) time.Duration { return 0 }, new(hour))
		if out.kept.quiet != kept || len(out.send) != 1-kept {
			t.Errorf("at %s: %+v", at, out)
		}
	}
}

// TestPerHour: what is more than so many is sent in the last message for which there is
// room; faults have room of their own.
func TestPerHour(t *testing.T) {
	now := time.Now()
	p := Policy{PerHour: 3}
	var list []ledger.Alert
	for n := range 8 {
		kind, state := supervisor.CauseCheckParts, "Held"
		if n%2 == 1 {
			kind, state = supervisor.CauseLink, "Aborted"
		}
		list = append(list, alertOf(int64(n+1), kind, state, 0, now))
	}
	h := new(hour)
	age := func(ledger.Alert) time.Duration { return 0 }
	out := p.sort(list, now, 0, age, h)
	if got := messages(out); got != "s-1 | s-2 | s-3 | s-4 | s-5 s-7 | s-6 s-8" {
		t.Errorf("sent as %s", got)
	}
	for _, g := range out.send {
		h.add(UrgencyOf(g[0]), now)
	}
	if out := p.sort(list[:4], now.Add(4*time.Minute), 0, age, h); len(out.send) != 0 || out.kept.limit != 4 {
		t.Errorf("within five minutes: %s, %+v", messages(out), out.kept)
	}
	if out := p.sort(list[:4], now.Add(5*time.Minute), 0, age, h); messages(out) != "s-2 s-4" || out.kept.limit != 2 {
		t.Errorf("after five minutes: %s, %+v", messages(out), out.kept)
	}
	h.add(Urgent, now.Add(5*time.Minute))
	if out := p.sort(list[:2], now.Add(9*time.Minute), 0, age, h); len(out.send) != 0 || out.kept.limit != 2 {
		t.Errorf("four minutes later: %s, %+v", messages(out), out.kept)
	}
	if out := p.sort(list[:1], now.Add(59*time.Minute), 0, age, h); len(out.send) != 0 || out.kept.limit != 1 {
		t.Errorf("within the hour: %s, %+v", messages(out), out.kept)
	}
	if out := p.sort(list[:2], now.Add(61*time.Minute), 0, age, h); messages(out) != "s-1 | s-2" {
		t.Errorf("after it: %s", messages(out))
	}
}

// TestEscalation: those of a further level are called when nobody has acted, and nothing of
// what nobody has to act on.
func TestEscalation(t *testing.T) {
	now := time.Now()
	p := Policy{Level: 2, EscalateAfter: 15 * time.Minute}
	list := []ledger.Alert{alertOf(5, supervisor.CauseVisit, "Execute", time.Hour, now), alertOf(6, supervisor.CauseCheckParts, "Held", 20*time.Minute, now),
		alertOf(9, supervisor.CauseLink, "Aborted", 16*time.Minute, now), alertOf(12, supervisor.CauseHeat, "Aborted", 14*time.Minute, now)}
	out := p.sort(list, now, 7, func(a ledger.Alert) time.Duration { return now.Sub(a.Stamp.At) }, new(hour))
	if messages(out) != "s-9" || ids(out.unneeded) != "s-5 s-6" || out.kept.patience != 1 {
		t.Errorf("sent %s, unneeded %s, kept %+v", messages(out), ids(out.unneeded), out.kept)
	}
	p.Level = 3
	if out := p.sort(list[2:3], now, 7, func(ledger.Alert) time.Duration { return 29 * time.Minute }, new(hour)); len(out.send) != 0 {
		t.Errorf("the third is called after 29 min: %s", messages(out))
	}
	if out := p.sort(list[2:3], now, 7, func(ledger.Alert) time.Duration { return 30 * time.Minute }, new(hour)); len(out.send) != 1 {
		t.Error("the third is not called after 30 min")
	}
}
