package wording

import (
	"fmt"
	"strings"
	"time"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// NextVisit answers when, why and with how many good parts.
func NextVisit(s *supervisor.Snapshot) (when, why string) {
	switch {
	case MainsOff(s):
		return "now: switch the machine off at the mains", good(s)
	case s.State == supervisor.Aborted || s.State == supervisor.Aborting:
		return "now: the machine has aborted", good(s)
	case s.State == supervisor.Held || s.State == supervisor.Suspended:
		return "now: the machine waits for you", good(s)
	case s.State == supervisor.Complete && (s.Lot == nil || s.Lot.Unverified == 0):
		return "none is due: every part of the lot is counted", good(s)
	case s.State == supervisor.Complete:
		return "now: count the lot's parts", good(s)
	case (s.State == supervisor.Resetting || s.State == supervisor.Clearing) && s.Line.Problem != "":
		return "now: the board cannot be reached", good(s)
	case s.Next == nil && s.Lot != nil && s.Lot.Status == ledger.LotOpen && s.Lot.Wanted > 0:
		return "now: the lot waits for a start", good(s)
	case s.Next == nil && s.Lot != nil && s.Lot.Unverified > 0:
		return "now: count the lot's parts", good(s)
	case s.Next == nil:
		return "none is due: no lot is running", good(s)
	}
	n := s.Next
	if s.State == supervisor.Holding || s.State == supervisor.Suspending || n.Parts == 0 {
		when = "as soon as the part in progress is off the belt"
	} else {
		when = fmt.Sprintf("about %s (in %s), after %s", Clock(n.At, s.At), Span(n.At.Sub(s.At)), Count(n.Parts, "more part"))
		if bounds := Between(n.Early, n.Late, n.Unseen, s.At); bounds != "" {
			when += "; " + bounds
		}
	}
	why = n.Text + "."
	if l := s.Lot; l != nil {
		by := min(l.Ordered, l.Good+l.Unverified+n.Parts)
		why += fmt.Sprintf(" By then %d of %d good parts, if every part not looked at is good.", by, l.Ordered)
	}
	return when, Sentence(why)
}

// Between says when a visit, or the end of a lot, is due at the earliest and at the latest;
// "" where that is the same minute, or not known. It is a guess before the first part is made.
func Between(early, late time.Time, unseen bool, now time.Time) string {
	from, to := Clock(early, now), Clock(late, now)
	if early.IsZero() || from == to {
		return ""
	}
	text := fmt.Sprintf("between %s and %s", from, to)
	if unseen {
		return text + ", a guess"
	}
	return text + " with 95 % certainty"
}

// good says how many good parts there are.
func good(s *supervisor.Snapshot) string {
	if s.Lot == nil {
		return ""
	}
	return fmt.Sprintf("%d of %d parts good, %d not looked at.", s.Lot.Good, s.Lot.Ordered, s.Lot.Unverified)
}

// Sentence begins a text with a capital letter.
func Sentence(text string) string {
	if text == "" || text[0] < 'a' || text[0] > 'z' {
		return text
	}
	return string(text[0]-'a'+'A') + text[1:]
}

// later lists the visits after the next one, the nearest first.
func later(s *supervisor.Snapshot) string {
	var list []string
	for i, v := range s.Later {
		if i == 3 && len(s.Later) > 4 {
			list = append(list, fmt.Sprintf("%s, the last about %s", Count(len(s.Later)-i, "more visit"), Clock(s.Later[len(s.Later)-1].At, s.At)))
			break
		}
		list = append(list, fmt.Sprintf("about %s (%s)", Clock(v.At, s.At), Reason(v.Reason)))
	}
	return strings.Join(list, ", ")
}

// Reason is the cause of a visit in a word or two.
func Reason(code string) string {
	if code == supervisor.CauseDone {
		return "end of the lot"
	}
	if n, ok := supervisor.NeedOf(code); ok {
		return n.Name
	}
	return code
}
