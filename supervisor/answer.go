package supervisor

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// handsClear ends an answer after which the machine heats and moves by itself.
const handsClear = "keep your hands clear: it heats and moves"

// answerTo says what the machine now does about a command that was carried out, when that ends, and
// whether hands must stay away. part is the part that was in progress, 0 for none.
func (m *Machine) answerTo(what string, r Request, part int) string {
	switch m.state {
	case Holding, Suspending, Completing:
		if m.cycle == nil {
			return what + ": the head lifts and parks; " + handsClear
		}
		return fmt.Sprintf("%s after this part, %s; until then %s", what, m.partLeft(), handsClear)
	case Starting:
		return what + ": keep your hands clear: it heats, then makes parts"
	case Unholding, Unsuspending:
		return what + ": keep your hands clear: it heats, then goes on with the lot"
	case Stopping:
		switch {
		case r.AfterPart && m.cycle != nil:
			return fmt.Sprintf("%s after this part, %s; until then %s", what, m.partLeft(), handsClear)
		case r.ClearBelt:
			return what + ": the heaters go off, the head lifts, and the belt moves the parts over the drop edge; keep your hands clear" + given(part)
		}
		return what + ": the heaters go off and the head lifts; keep your hands clear" + given(part)
	case Aborting, Aborted:
		return what + ": the heaters go off first; hot parts stay hot, so keep your hands off them" + given(part)
	case Resetting, Clearing:
		text := what + ": the board is asked; nothing heats or moves"
		if r.Continue {
			text += " until it has answered; then the lot goes on at once: " + handsClear
		}
		return text
	case Idle, Stopped, Execute, Held, Suspended, Complete:
	}
	return fmt.Sprintf("%s: the machine is %s", what, m.state)
}

// given says of a part in progress that it is lost.
func given(part int) string {
	if part == 0 {
		return ""
	}
	return fmt.Sprintf("; part %d is not finished", part)
}

// partLeft says how long the part in progress still takes until it is moved off.
func (m *Machine) partLeft() string {
	parts := 1
	if m.cycle.made {
		parts = 0
	}
	_, at, _, _ := m.doneAfter(parts)
	if d := at.Sub(m.now); d >= 30*time.Second {
		return "about " + minutes(d)
	}
	return "under 1 minute"
}

// notNow refuses a command that the state does not take: the state, why it is so, and what to do.
func (m *Machine) notNow(c Command) *Refusal {
	r := &Refusal{What: strings.ToLower(c.String()), Why: "the machine is " + m.state.String()}
	switch {
	case m.state.Acting() && m.work.doing != "":
		r.Why += " (" + m.work.doing + ")"
	case !m.state.Acting() && m.cause.Text != "":
		r.Why += " (" + m.cause.Text + ")"
	}
	if m.state.Acting() {
		r.Remedy = "wait until it is done"
		if now := m.acceptedCommands(); len(now) > 0 {
			r.Remedy += "; possible now: " + strings.Join(now, ", ")
		}
		return r
	}
	if ready := m.state == Stopped || m.state == Complete; c == Start && ready && m.checkStart(Request{}) == nil {
		r.Remedy, r.Command = "reset first; the lot then goes on at once", "beltwarden reset --go-on"
		return r
	}
	do := m.advice()
	r.Remedy, r.Command = do.text, strings.Join(do.steps, ", then ")
	if r.Remedy == "" {
		r.Remedy = "possible now: " + strings.Join(m.acceptedCommands(), ", ")
	}
	return r
}

// stepsOf are the command lines of a refusal in the order in which to give them, without the
// alternatives. what is the refused command, to which a lone flag belongs.
func stepsOf(r *Refusal, what string) (steps []string) {
	if r.Command == "" {
		return nil
	}
	usual, _, _ := strings.Cut(r.Command, ", or ")
	for _, s := range strings.Split(usual, ", then ") {
		if strings.HasPrefix(s, "--") {
			s = "beltwarden " + what + " " + s
		}
		steps = append(steps, s)
	}
	if strings.HasPrefix(steps[0], "beltwarden check ") {
		steps = append(steps, "beltwarden "+what)
	}
	return slices.Compact(steps)
}
