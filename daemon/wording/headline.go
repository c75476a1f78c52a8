package wording

import (
	"fmt"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// Sign is what a glance from across the room must tell. Each has a colour and a drawing of its own.
type Sign string

// The signs, the most urgent first.
const (
	SignDanger  Sign = "danger"  // heaters may be on and nothing can be done about it from here
	SignFault   Sign = "fault"   // the machine has ended by a fault, or cannot be reached
	SignWaiting Sign = "waiting" // it waits for a person
	SignWorking Sign = "working" // nobody is needed
	SignRest    Sign = "rest"    // nothing is going on
)

// Headline is the run in one look: a sign, one verb, and what it is about.
type Headline struct {
	Sign   Sign
	Verb   string // one to three words in sentence case
	Matter string // a short line in sentence case, without a full stop
}

// HeadlineOf returns the headline of a run. Danger comes before everything else, whatever the state.
func HeadlineOf(s *supervisor.Snapshot) Headline {
	waits := func(verb, matter string) Headline { return Headline{SignWaiting, verb, Sentence(matter)} }
	works := func(verb, matter string) Headline { return Headline{SignWorking, verb, Sentence(matter)} }
	rests := func(verb, matter string) Headline { return Headline{SignRest, verb, Sentence(matter)} }
	fault := func(verb, matter string) Headline { return Headline{SignFault, verb, Sentence(matter)} }
	switch {
	case MainsOff(s):
		return Headline{SignDanger, "Cut the mains", dangerMatter(s)}
	case s.Recovery != nil && s.Recovery.ResumesAt != nil:
		return fault("Hands off", "it resumes by itself at "+s.Recovery.ResumesAt.Local().Format("15:04:05"))
	}
	switch s.State {
	case supervisor.Aborting:
		return fault("Switching off", s.Cause.Text)
	case supervisor.Aborted:
		return fault("Come", s.Cause.Text)
	case supervisor.Held:
		if s.Cause.Code == supervisor.CauseOperator {
			return waits("Come", "held by hand")
		}
		return waits("Come", CauseHeadline(s.Cause))
	case supervisor.Suspended:
		if s.Cause.Code == supervisor.CauseUnattended {
			return waits("Waiting", CauseHeadline(s.Cause))
		}
		return waits("Come", CauseHeadline(s.Cause))
	case supervisor.Complete:
		if s.Lot != nil && s.Lot.Unverified > 0 {
			return waits("Come", fmt.Sprintf("all parts are made, %d not looked at", s.Lot.Unverified))
		}
		return rests("Done", "every part of the lot is counted")
	case supervisor.Resetting, supervisor.Clearing:
		if s.Line.Problem != "" {
			return fault("No board", s.Line.Problem)
		}
		return works("Checking", "nothing is hot or moves")
	case supervisor.Idle:
		switch l := s.Lot; {
		case l != nil && l.Status == ledger.LotOpen && l.Wanted > 0:
			return waits("Start", "the lot waits for a start")
		case l != nil && l.Unverified > 0:
			return waits("Come", Count(l.Unverified, "part")+" not looked at")
		}
		return rests("Ready", "no lot is running")
	case supervisor.Stopping:
		return works("Stopping", "switching off")
	case supervisor.Stopped:
		return rests("Stopped", "reset to make the machine ready")
	case supervisor.Starting, supervisor.Unholding, supervisor.Unsuspending:
		return works("Heating", "hot, and about to move")
	case supervisor.Holding, supervisor.Suspending:
		if why := CauseHeadline(s.Cause); why != "" {
			return works("Making", "holds after this part: "+why)
		}
		return works("Making", "holds after this part")
	case supervisor.Completing:
		return works("Making", "ending the lot")
	case supervisor.Execute:
	}
	if s.Next != nil && s.Next.Parts > 0 {
		return works("Making", "next visit "+Clock(s.Next.At, s.At)+": "+Reason(s.Next.Reason))
	}
	return works("Making", "")
}

// MainsOff reports whether the machine has to be switched off at the mains: its heaters may be on and
// it cannot be reached, or after a fault readings do not show them to be off.
func MainsOff(s *supervisor.Snapshot) bool {
	return s.HeatFault != "" && !s.Heat.Proved || s.Heat.Unsure || s.Heat.ProofFailed
}

// dangerMatter says which doubt there is, with the last temperature read.
func dangerMatter(s *supervisor.Snapshot) string {
	text := "the heaters may be on"
	if !s.Line.Connected {
		text = "board out of reach, heaters may be on"
	}
	if h := s.Heat; h.HasNozzle && !h.Read.IsZero() {
		text += fmt.Sprintf("; nozzle read %.0f °C", h.NozzleC)
		if age := s.At.Sub(h.Read); age > oldReading {
			text += " " + Span(age) + " ago"
		}
	}
	return Sentence(text)
}

// CauseHeadline is a cause in a few words.
func CauseHeadline(c supervisor.Cause) string {
	switch n, ok := supervisor.NeedOf(c.Code); {
	case ok:
		return n.Headline
	case c.Code == supervisor.CauseOperator:
		return "by hand"
	}
	return c.Text
}
