package screen

import (
	"fmt"
	"slices"
	"strings"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// nextView answers the operator's question: when, why, with how many good parts.
type nextView struct {
	Kind               wording.Sign
	State, Meaning     string
	Since              string
	Why                string // of the state
	Big, Rest, Reason  string
	Bring              []string
	Later              []laterView
	Do                 []string
	Unsure             bool     // heaters may be on
	MainsOff           bool     // after a heat fault, until the heaters are shown to be off
	Clock              string   // why the computer's clock cannot be right
	Certain, Uncertain []string // after a fault
	Alone              string   // whether it resumes by itself then
	GoesOn             bool     // it does
	Headline           string
}

type laterView struct{ When, Why, Parts string }

// meanings say in words what each state of the standard is here.
var meanings = map[supervisor.State]string{
	supervisor.Resetting: "getting ready", supervisor.Idle: "ready and cold", supervisor.Starting: "heating up to begin the lot",
	supervisor.Execute: "making parts", supervisor.Completing: "ending the lot", supervisor.Complete: "all parts are made",
	supervisor.Holding: "holding after this part", supervisor.Held: "waiting for you between parts", supervisor.Unholding: "heating up to go on",
	supervisor.Suspending: "waiting after this part", supervisor.Suspended: "waiting for something outside the machine", supervisor.Unsuspending: "heating up to go on",
	supervisor.Stopping: "stopping", supervisor.Stopped: "stopped", supervisor.Aborting: "fault: switching off",
	supervisor.Aborted: "ended by a fault or an abort", supervisor.Clearing: "checking that it is cold",
}

func nextOf(s *supervisor.Snapshot) nextView {
	when, why := wording.NextVisit(s)
	v := nextView{Kind: wording.HeadlineOf(s).Sign, State: s.State.String(), Meaning: meanings[s.State], Since: wording.Clock(s.Since, s.At),
		Why: sentence(s.Cause.Text), Reason: why, Unsure: s.Heat.Unsure, Do: doOf(s)}
	switch {
	case s.HeatFault != "" && !s.Heat.Proved:
		v.MainsOff = true
	case s.Heat.Proved && (s.State == supervisor.Aborted || s.State == supervisor.Stopped):
		v.Meaning += ", heaters shown to be off"
	}
	if s.Clock != "" {
		v.Clock = sentence(s.Clock) + "."
	}
	switch head, rest, cut := strings.Cut(when, ": "); {
	case cut && head == "now":
		v.Big, v.Rest = "Now", sentence(rest)
	case cut && head == "none is due":
		v.Big, v.Rest = "No visit is due", sentence(rest)
	case s.Next != nil && strings.HasPrefix(when, "about "):
		v.Big = wording.Clock(s.Next.At, s.At)
		v.Rest = "in " + wording.Span(s.Next.At.Sub(s.At)) + ", after " + wording.Count(s.Next.Parts, "more part")
		if bounds := wording.Between(s.Next.Early, s.Next.Late, s.Next.Unseen, s.At); bounds != "" {
			v.Rest += "; " + bounds
		}
	default:
		v.Big, v.Rest = "Soon", sentence(when)
	}
	v.Headline = v.State + ". Next visit: " + v.Big
	if r := s.Recovery; r != nil {
		for _, text := range r.Certain {
			v.Certain = append(v.Certain, sentence(text)+".")
		}
		for _, text := range r.Uncertain {
			v.Uncertain = append(v.Uncertain, sentence(text)+".")
		}
		v.Alone, v.GoesOn = wording.ByItself(r), r.ResumesAt != nil
	}
	if n := s.Next; n != nil {
		v.Bring = n.Bring
		for i, l := range s.Later {
			if i == 4 && len(s.Later) > 5 {
				rest := s.Later[len(s.Later)-1]
				v.Later = append(v.Later, laterView{wording.Clock(rest.At, s.At), fmt.Sprintf("the last of %s", wording.Count(len(s.Later)-i, "more visit")), ""})
				break
			}
			v.Later = append(v.Later, laterView{wording.Clock(l.At, s.At), wording.Reason(l.Reason), wording.Count(l.Parts, "part") + " from now"})
		}
	}
	return v
}

// doOf says what the operator is to do now, step by step.
func doOf(s *supervisor.Snapshot) []string {
	const look = "Look at the machine. Keep hands off hot and moving parts."
	switch s.State {
	case supervisor.Held, supervisor.Suspended:
		steps := []string{"Read the lateral offset and look at the parts.", "Record the visit.", "Let it go on."}
		n, ok := supervisor.NeedOf(s.Cause.Code)
		if o := s.Belt.OffsetMM; o != nil && s.Belt.OffsetLimitMM > 0 && max(*o, -*o) > s.Belt.OffsetLimitMM {
			steps[0] = "Realign the belt: its offset is beyond the limit."
		} else if ok && n.Ends == supervisor.EndsUnrecorded {
			return []string{n.Do, steps[2]}
		} else if ok {
			steps[0] = n.Do
		}
		return steps
	case supervisor.Aborting, supervisor.Aborted:
		if s.Recovery != nil && s.Recovery.ResumesAt != nil {
			return []string{"Keep hands off the machine. To look at it first, keep it from resuming by itself."}
		}
		belt := "Clear the belt of parts, realign it if it has drifted, and record the visit."
		if l := s.Lot; l != nil && l.Interrupted > 0 {
			belt = "Clear the belt of parts, decide whether the interrupted part is good or scrap, realign the belt if it has drifted, and record the visit."
		}
		if s.HeatFault != "" {
			return []string{"Switch the machine off at the mains, and let it cool.", "Check the sensor, the heater and their wiring, and repair the fault.",
				belt, "With the mains on again, clear the fault and enter what you repaired."}
		}
		steps := []string{look, belt, "Clear the fault, then go on with the lot or end it."}
		if s.Heat.Unsure {
			steps[0] = "Switch the machine off at the mains. Keep hands off hot and moving parts."
		}
		if !s.Line.Connected {
			steps = slices.Insert(steps, 1, "Check the cable and the power supply until the board answers again.")
		}
		return steps
	case supervisor.Complete:
		if l := s.Lot; l != nil && l.Unverified > 0 {
			return []string{"Take out the parts and count them.", "Record the visit."}
		}
	case supervisor.Stopped:
		return []string{"Reset to make the machine ready."}
	case supervisor.Idle:
		if l := s.Lot; l != nil && l.Status == ledger.LotOpen {
			return []string{"Start to go on with the lot."}
		}
		return []string{"Begin a lot."}
	}
	return nil
}

// action is something that the operator may have the machine do now.
type action struct {
	Name, Label string
	Direct      bool // done at once, without a page that asks back
	Danger      bool
}

// labels are the commands in the operator's words, beside the standard's.
var labels = map[string]string{
	"reset": "Reset: make ready", "start": "Start the lot", "hold": "Hold after this part", "unhold": "Unhold: go on",
	"suspend": "Suspend after this part", "unsuspend": "Unsuspend: go on", "stop": "Stop", "abort": "Abort: switch off at once", "clear": "Clear the fault",
}

type actView struct {
	Actions []action
	Visit   bool // there is something that a visit can record
	Order   bool // a lot can be begun
	Keep    bool // it resumes by itself, unless somebody stops that
}

func actionsOf(s *supervisor.Snapshot) actView {
	v := actView{Visit: true, Keep: s.Recovery != nil && s.Recovery.ResumesAt != nil}
	for _, name := range s.Accepts {
		label := labels[name]
		if label == "" || name == "suspend" {
			continue // by hand, a hold is what is meant
		}
		v.Actions = append(v.Actions, action{Name: name, Label: label, Direct: name == "hold" || name == "abort", Danger: name == "abort"})
	}
	v.Order = s.Lot == nil || s.Lot.Status != ledger.LotOpen
	return v
}
