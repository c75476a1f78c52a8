package screen

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// nextView answers the operator's question: when, why, with how many good parts.
type nextView struct {
	wording.Headline
	State, Meaning     string
	Since              string
	Glance             []row // what the first look must answer
	Later              []laterView
	Do                 []string
	MainsOff           string   // why the mains must be cut; "": they need not
	Blocked            bool     // something may be under the head
	Clock              string   // why the computer's clock cannot be right
	Certain, Uncertain []string // after a fault
	Alone              string   // whether it resumes by itself then
	GoesOn             bool     // it does
	Spoken             string   // when it changes
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
	v := nextView{Headline: wording.HeadlineOf(s), State: s.State.String(), Meaning: meanings[s.State], Since: wording.Clock(s.Since, s.At), Do: doOf(s), Blocked: !s.Belt.Clear}
	switch {
	case s.Heat.Unsure:
		v.MainsOff = "The heaters may be on and the board cannot be reached."
	case wording.MainsOff(s):
		v.MainsOff = "The heaters are not shown to be off: treat them as on and hot."
	case s.Heat.Proved && (s.State == supervisor.Aborted || s.State == supervisor.Stopped):
		v.Meaning += ", heaters shown to be off"
	}
	if s.Clock != "" {
		v.Clock = sentence(s.Clock) + "."
	}
	when, good := whenOf(s)
	heat := row{"Heat", wording.Touch(s)}
	if v.MainsOff != "" { // the headline says what to do at once
		v.Glance = append(v.Glance, heat)
	} else {
		v.Glance = append(v.Glance, row{"When", when})
	}
	switch why := sentence(s.Cause.Text); {
	case s.Next != nil && (why == "" || s.State == supervisor.Starting || s.State == supervisor.Execute || s.State == supervisor.Unholding || s.State == supervisor.Unsuspending):
		v.Glance = append(v.Glance, row{"Why", sentence(s.Next.Text)})
	case why != "" && why != v.Matter && s.State != supervisor.Complete: // then it is the count before anybody has looked
		v.Glance = append(v.Glance, row{"Why", why})
	}
	if n := s.Next; n != nil && len(n.Bring) > 0 {
		v.Glance = append(v.Glance, row{"Bring", strings.Join(n.Bring, ", ")})
	}
	if good != "" {
		v.Glance = append(v.Glance, row{"Parts", good})
	}
	if v.MainsOff == "" {
		v.Glance = append(v.Glance, heat)
	}
	v.Spoken = v.State + ". " + v.Verb
	if v.Matter != "" {
		v.Spoken += ": " + v.Matter
	}
	if r := s.Recovery; r != nil {
		for _, text := range r.Certain {
			v.Certain = append(v.Certain, sentence(text)+".")
		}
		for _, text := range r.Uncertain {
			v.Uncertain = append(v.Uncertain, sentence(text)+".")
		}
		v.Alone, v.GoesOn = wording.ByItself(r), r.ResumesAt != nil
	}
	if s.Next != nil {
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

// whenOf says when to be at the machine next, and how many parts are good now and will be then.
func whenOf(s *supervisor.Snapshot) (when, good string) {
	when, _ = wording.NextVisit(s)
	if l := s.Lot; l != nil {
		good = fmt.Sprintf("%d of %d good, %d not looked at", l.Good, l.Ordered, l.Unverified)
		if n := s.Next; n != nil && n.Parts > 0 {
			good += fmt.Sprintf("; %d of %d by then, if all are good", min(l.Ordered, l.Good+l.Unverified+n.Parts), l.Ordered)
		}
	}
	return sentence(when), good
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

// action is something that the operator may do, or have the machine do, now.
type action struct {
	Name, Label string
	More        string // of the label, where there is room for it
	Path        string // of the page that it opens, or that the form goes to
	Direct      bool   // done at once, without a page that asks back
}

// labels are the commands in the operator's words, beside the standard's.
var labels = map[string]string{
	"reset": "Reset: make ready", "start": "Start the lot", "hold": "Hold", "unhold": "Unhold: go on",
	"suspend": "Suspend after this part", "unsuspend": "Unsuspend: go on", "stop": "Stop", "abort": "Abort: switch off at once", "clear": "Clear the fault",
}

// actView is what the operator can do: the one thing that the state asks for, aborting, and the others.
// The first two are within reach of a thumb.
type actView struct {
	Main, Abort *action
	Others      []action
}

func actionsOf(s *supervisor.Snapshot) (v actView) {
	var list []action
	if s.Recovery != nil && s.Recovery.ResumesAt != nil {
		list = append(list, action{Name: "keep", Label: "Do not resume by itself", Path: "/alerts/acknowledge", Direct: true})
	}
	list = append(list, action{Name: "visit", Label: "Record a visit", Path: "/visit"})
	open := s.Lot != nil && s.Lot.Status == ledger.LotOpen
	if !open {
		list = append(list, action{Name: "order", Label: "Begin a lot", Path: "/lots/new"})
	}
	for _, name := range s.Accepts {
		switch {
		case name == "abort":
			v.Abort = &action{Name: name, Label: "Abort", More: ": switch off at once", Path: "/command", Direct: true}
		case name == "hold":
			list = append(list, action{Name: name, Label: holdLabel(s), Path: "/command", Direct: true})
		case name == "start" && !open:
		case name != "suspend" && labels[name] != "": // by hand, a hold is what is meant
			list = append(list, action{Name: name, Label: labels[name], Path: "/command/" + name})
		}
	}
	main := mainOf(s)
	for _, a := range list {
		if a.Name == main {
			v.Main = &a
		} else {
			v.Others = append(v.Others, a)
		}
	}
	return v
}

// holdLabel says when a hold would take effect, which is between parts.
func holdLabel(s *supervisor.Snapshot) string {
	l := s.Lot
	if s.State != supervisor.Execute || l == nil || l.Part == 0 {
		return labels["hold"]
	}
	text := "Hold after this part"
	if left := l.PartTakes - s.At.Sub(l.PartBegun); l.PartTakes > 0 && left >= time.Minute {
		text += ", about " + wording.Span(left.Round(time.Minute))
	}
	return text
}

// mainOf names the action that a state asks for; "" for none.
func mainOf(s *supervisor.Snapshot) string {
	l := s.Lot
	open := l != nil && l.Status == ledger.LotOpen
	unseen := l != nil && (l.Unverified > 0 || l.Interrupted > 0)
	switch s.State {
	case supervisor.Aborting, supervisor.Aborted:
		switch {
		case s.Recovery != nil && s.Recovery.ResumesAt != nil:
			return "keep"
		case s.State == supervisor.Aborting:
			return ""
		case unseen || !s.Belt.Clear:
			return "visit"
		}
		return "clear"
	case supervisor.Held:
		if s.Cause.Code == supervisor.CauseOperator {
			return "unhold"
		}
	case supervisor.Suspended:
		if n, ok := supervisor.NeedOf(s.Cause.Code); ok && n.Ends == supervisor.EndsUnrecorded {
			return "unsuspend"
		}
	case supervisor.Idle:
		switch {
		case open && l.Wanted > 0:
			return "start"
		case !open && !unseen:
			return "order"
		}
	case supervisor.Complete:
		if !unseen {
			return "order"
		}
	case supervisor.Stopped:
		return "reset"
	case supervisor.Stopping, supervisor.Clearing, supervisor.Resetting:
		return ""
	}
	return "visit"
}
