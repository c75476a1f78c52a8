package alert

import (
	"cmp"
	"slices"
	"time"

	"beltwarden/supervisor/ledger"
)

// Span is a time of day, in minutes from midnight; it may lie on both sides of
// midnight. The zero Span is never.
type Span struct{ FromMin, ToMin int }

// holds says whether a moment lies in it, by the clock on the wall of its location.
func (s Span) holds(at time.Time) bool {
	m := at.Hour()*60 + at.Minute()
	if s.FromMin <= s.ToMin {
		return s.FromMin <= m && m < s.ToMin
	}
	return m >= s.FromMin || m < s.ToMin
}

// Policy says what is sent to a receiver, and when. The zero Policy sends everything at once.
type Policy struct {
	// Level 1, or 0, is called at once, each further one when nobody has acted for
	// EscalateAfter more; it does not get what nobody has to act on.
	Level         int
	EscalateAfter time.Duration
	// Quiet is when a Notice is kept back, and a Hold too with QuietHolds.
	Quiet      Span
	QuietHolds bool
	// PerHour bounds the messages in any hour, and those that are urgent once more; the
	// rest is sent in one message as soon as there may be another, what is urgent every
	// five minutes. 0 sets no bound.
	PerHour int
	// Stale is the age from which alerts are sent in one message; 0 is never.
	Stale time.Duration
	// In is where Quiet is meant; nil is the local time.
	In *time.Location
	// ClockFloor: a clock that shows an earlier time is not set, and nothing is kept back for quiet hours by it.
	ClockFloor time.Time
}

// patience is how long nobody must have acted before the receiver is called.
func (p *Policy) patience() time.Duration { return time.Duration(max(1, p.Level)-1) * p.EscalateAfter }

// quiet says whether an alert is kept back at this time of day.
func (p *Policy) quiet(u Urgency, now time.Time) bool {
	if u == Urgent || u == Hold && !p.QuietHolds {
		return false
	}
	return p.quietNow(now)
}

func (p *Policy) quietNow(now time.Time) bool {
	if now.Before(p.ClockFloor) {
		return false
	}
	in := p.In
	if in == nil {
		in = time.Local
	}
	return p.Quiet.holds(now.In(in))
}

// hour keeps when messages were sent, for the bound on them. Urgent ones are counted
// apart, so that they never wait behind others.
type hour struct {
	urgent, others []time.Time
}

func (h *hour) of(u Urgency) *[]time.Time {
	if u == Urgent {
		return &h.urgent
	}
	return &h.others
}

// urgentWait is the longest that the bound keeps an urgent alert back: heaters that may be on
// do not wait for an hour because a daemon fell over six times before.
const urgentWait = 5 * time.Minute

// room is how many more may be sent now.
func (h *hour) room(u Urgency, perHour int, now time.Time) int {
	list := h.of(u)
	kept := (*list)[:0]
	for _, at := range *list {
		if now.Sub(at) < time.Hour {
			kept = append(kept, at)
		}
	}
	*list = kept
	if n := len(kept); u == Urgent && n > 0 && n >= perHour && now.Sub(slices.MaxFunc(kept, time.Time.Compare)) >= urgentWait {
		return 1
	}
	return max(0, perHour-len(kept))
}

func (h *hour) add(u Urgency, at time.Time) {
	list := h.of(u)
	*list = append(*list, at)
}

// sorted is what is to be done with the alerts that wait.
type sorted struct {
	send     [][]ledger.Alert // messages to send now, the oldest first
	unneeded []ledger.Alert   // nothing for this receiver
	kept     kept
}

// kept counts what is kept back, and why.
type kept struct {
	quiet, limit, patience int
	oldest                 ledger.Stamp // of the oldest alert that is not kept back
}

func (k kept) total() int { return k.quiet + k.limit + k.patience }

// sort decides about the alerts that wait, given the oldest first. acted is the
// position in the journal at which somebody last acted.
func (p *Policy) sort(alerts []ledger.Alert, now time.Time, acted int64, age func(ledger.Alert) time.Duration, h *hour) sorted {
	var out sorted
	var ready []ledger.Alert
	for _, a := range alerts {
		u := UrgencyOf(a)
		switch {
		case p.Level > 1 && (u == Notice || acted > a.Stamp.Seq):
			out.unneeded = append(out.unneeded, a)
		case age(a) < p.patience():
			out.kept.patience++
		case p.quiet(u, now):
			out.kept.quiet++
		default:
			ready = append(ready, a)
			if out.kept.oldest.Seq == 0 {
				out.kept.oldest = a.Stamp
			}
		}
	}
	groups := p.collect(ready, age)
	if p.PerHour > 0 {
		groups = p.limit(groups, now, h, &out.kept)
	}
	// In the order of the oldest alert in each.
	slices.SortStableFunc(groups, func(a, b []ledger.Alert) int { return cmp.Compare(a[0].Stamp.Seq, b[0].Stamp.Seq) })
	out.send = groups
	return out
}

// collect puts stale alerts into one message, those that are urgent into another.
func (p *Policy) collect(ready []ledger.Alert, age func(ledger.Alert) time.Duration) [][]ledger.Alert {
	var groups [][]ledger.Alert
	at := map[bool]int{}
	for _, a := range ready {
		urgent := UrgencyOf(a) == Urgent
		if p.Stale <= 0 || age(a)-p.patience() < p.Stale {
			groups = append(groups, []ledger.Alert{a})
			continue
		}
		i, ok := at[urgent]
		if !ok {
			i = len(groups)
			at[urgent] = i
			groups = append(groups, nil)
		}
		groups[i] = append(groups[i], a)
	}
	return groups
}

// limit keeps to the bound on messages: those for which there is room go as they
// are, but the last of them takes all the rest with it.
func (p *Policy) limit(groups [][]ledger.Alert, now time.Time, h *hour, k *kept) [][]ledger.Alert {
	var out [][]ledger.Alert
	for _, class := range []bool{true, false} {
		var mine [][]ledger.Alert
		u := Hold
		if class {
			u = Urgent
		}
		for _, g := range groups {
			if (UrgencyOf(g[0]) == Urgent) == class {
				mine = append(mine, g)
			}
		}
		room := h.room(u, p.PerHour, now)
		if room == 0 {
			for _, g := range mine {
				k.limit += len(g)
			}
			continue
		}
		if len(mine) > room {
			last := mine[room-1]
			for _, g := range mine[room:] {
				last = append(last[:len(last):len(last)], g...)
			}
			mine = append(mine[:room-1:room-1], last)
		}
		out = append(out, mine...)
	}
	return out
}
