package supervisor

import (
	"fmt"
	"math"
	"strings"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/ledger"
)

// ScaleRequest requests a new value for the board's steps/mm of the belt axis.
type ScaleRequest struct {
	// StepsPerMM is the value to set. NowStepsPerMM is the one that it was computed from: a board that
	// runs at another is left as it is. Both are 0 with Undo.
	StepsPerMM    float64 `json:"steps_per_mm,omitempty"`
	NowStepsPerMM float64 `json:"now_steps_per_mm,omitempty"`
	Undo          bool    `json:"undo,omitempty"`  // back to the value before the last change
	Store         bool    `json:"store,omitempty"` // make the board keep it over a restart
}

// Bounds on a change of scale.
const (
	// largestRescale is the largest change accepted, as a fraction: a belt is never that far out,
	// except by a slipped digit or another unit (common practice, no source).
	largestRescale = 0.25
	// stepsTolerance is the largest difference between two equal values of steps/mm: boards report them to
	// a hundredth.
	stepsTolerance = 0.0051
	// rescaleBound is how long a board at rest may take to answer.
	rescaleBound = 20 * time.Second
)

// rescaling is a change of the belt's scale in progress.
type rescaling struct {
	on        bool
	from, to  float64 // steps/mm
	confirmed float64 // as the board has confirmed it
	store     bool
	by        string
	trouble   string // trouble that the board reported in the meantime

	unknownWhy string // why the board may run at another scale since a change was interrupted
}

// rescale begins to change the belt's scale. The answer follows once the board has confirmed the
// change.
func (m *Machine) rescale(r Request) error {
	const what = "set the belt's scale"
	from, to, err := m.checkRescale(what, *r.Scale)
	if err != nil {
		return err
	}
	m.rescaling = rescaling{on: true, from: from, to: to, store: r.Scale.Store, by: r.By}
	m.timers.set(timerScale, m.now.Add(rescaleBound))
	m.note("scale", fmt.Sprintf("%[3]s sets the board's belt axis from %[1]g to %[2]g steps/mm", from, to, who(r.By)))
	m.out.Deferred = true
	m.link.board.ForgetSteps() // only what it reports from now on counts
	m.setLegs([]leg{{
		doing:   "setting the belt's scale",
		program: func() Program { return Program{Before: m.rescaleLines()} },
		end:     m.verifyRescale,
	}})
	return nil
}

// checkRescale refuses what must not be sent, and returns the present and the new steps/mm.
func (m *Machine) checkRescale(what string, q ScaleRequest) (from, to float64, err error) {
	switch m.state {
	case Idle, Stopped, Complete, Held:
	default:
		return 0, 0, &Refusal{What: what, Why: fmt.Sprintf("the machine is %s", m.state), Remedy: "wait until it is Idle, Stopped, Complete or Held, so that no part changes its length half way"}
	}
	if m.link.phase != linkUp || m.work.running != 0 || len(m.work.legs) > 0 {
		return 0, 0, &Refusal{What: what, Why: "the board is not connected or is busy", Remedy: "reset to make it ready", Command: "beltwarden reset"}
	}
	from, to = m.link.board.StepsPerMM, q.StepsPerMM
	if from <= 0 {
		return 0, 0, &Refusal{What: what, Why: "the board does not report its belt steps/mm, so the new value cannot be read back", Remedy: "set it on the board itself"}
	}
	now := q.NowStepsPerMM
	if q.Undo {
		last := m.bed.Scale
		if last == nil {
			return 0, 0, &Refusal{What: what, Why: "there is no change to undo: none was ever made on this port's board"}
		}
		now, to = last.NewStepsPerMM, last.OldStepsPerMM
	}
	to = math.Round(to*1e4) / 1e4
	switch c := m.set.StepsPerMM; {
	case !(to > 0) || math.IsInf(to, 0):
		return 0, 0, &Refusal{What: what, Why: fmt.Sprintf("%g steps/mm are not possible", q.StepsPerMM)}
	case math.Abs(now-from) > stepsTolerance:
		return 0, 0, &Refusal{What: what, Why: fmt.Sprintf("the board's belt axis runs at %g steps/mm, but the change starts from %g", from, now), Remedy: "measure parts made at the present setting, and give the steps/mm that the board reports"}
	case math.Abs(to/from-1) > largestRescale:
		return 0, 0, &Refusal{What: what, Why: fmt.Sprintf("from %g to %g steps/mm is more than %.0f %%", from, to, 100*largestRescale), Remedy: "check digits and unit; if it is right, set it on the board itself"}
	case c > 0 && math.Abs(c-to) > stepsTolerance:
		return 0, 0, &Refusal{What: what, Why: fmt.Sprintf("the configuration says that the belt axis runs at %g steps/mm, and the new value is %g", c, to),
			Remedy: fmt.Sprintf("set machine.belt_steps_per_mm: %g or remove it, restart the daemon, then apply the change", to)}
	case math.Abs(to-from) <= stepsTolerance:
		return 0, 0, &Refusal{What: what, Why: fmt.Sprintf("the board's belt axis already runs at %g steps/mm, as precisely as it reports", from)}
	}
	return from, to, nil
}

// rescaleLines set the scale, restore the belt's coordinate, which some boards recompute from its
// steps, and read the scale back.
func (m *Machine) rescaleLines() []string {
	axis, at := m.set.BeltAxis.String(), m.position()
	lines := append([]string{resetLineNumber}, millimetreLines(at)...)
	lines = append(lines, "M400", "M92 "+axis+number(m.rescaling.to))
	if at.Known[m.set.BeltAxis] {
		lines = append(lines, "G92 "+axis+number(at.PositionMM[m.set.BeltAxis]))
	}
	return append(lines, "M92", "M503", "M105")
}

// verifyRescale judges what the board reported after the change.
func (m *Machine) verifyRescale() {
	r, b := &m.rescaling, &m.link.board
	switch told := b.StepsPerMM; {
	case told > 0 && math.Abs(told-r.to) <= stepsTolerance:
	case told > 0 && math.Abs(told-r.from) <= stepsTolerance:
		m.failRescale(fmt.Sprintf("the board was set to %g steps/mm and still runs at %g%s", r.to, told, remark(r.trouble)), false)
		return
	default:
		text := "the board no longer reports its belt steps/mm"
		if told > 0 {
			text = fmt.Sprintf("the board was set to %g steps/mm and reports %g", r.to, told)
		}
		m.failRescale(text+remark(r.trouble), true)
		return
	}
	r.confirmed = b.StepsPerMM
	m.recordScale(false)
	if k := m.knownBoard; k != nil {
		seen := *k
		seen.StepsPerMM = r.confirmed
		m.knownBoard = &seen
		m.record(seen)
		m.compareBoard()
	} else {
		m.acceptBoard()
	}
	if !r.store {
		m.finishRescale(fmt.Sprintf("the belt axis runs at %g steps/mm (before: %g); the board forgets this at its next restart unless it is stored", r.confirmed, r.from))
		return
	}
	r.trouble = ""
	m.work.legs = append(m.work.legs, leg{
		doing:   "storing the board's settings",
		program: func() Program { return Program{Before: []string{"M500"}} },
		end:     m.rescaleStored,
	})
}

// rescaleStored ends a change that the board was to store.
func (m *Machine) rescaleStored() {
	r := &m.rescaling
	text := fmt.Sprintf("the belt axis runs at %g steps/mm (before: %g)", r.confirmed, r.from)
	if r.trouble != "" {
		m.failRescale(text+"; but the board did not store it: "+r.trouble, false)
		return
	}
	m.recordScale(true)
	m.finishRescale(text + "; the board has accepted the command to store all its settings")
}

// recordScale records the change.
func (m *Machine) recordScale(stored bool) {
	r := &m.rescaling
	set := ledger.ScaleSet{Port: m.set.Port.Path, Axis: m.set.BeltAxis.String(), OldStepsPerMM: r.from, NewStepsPerMM: r.confirmed,
		TravelMM: m.belt.base.TravelMM, Stored: stored, By: r.by}
	m.record(set)
}

// finishRescale answers the request for the change.
func (m *Machine) finishRescale(text string) {
	m.rescaling = rescaling{}
	m.timers.stop(timerScale)
	m.note("scale", text)
	m.out.Settled = &Settled{Result: Result{State: m.state, Text: text}}
	if m.lot != nil {
		m.out.Settled.Result.LotID = m.lot.ID
	}
}

// failRescale answers with the failure. With unsure nothing begins until the board has been queried
// again.
func (m *Machine) failRescale(text string, unsure bool) {
	m.rescaling = rescaling{}
	m.timers.stop(timerScale)
	remedy, command := "see the board's answer", "beltwarden status"
	if unsure {
		m.rescaling.unknownWhy = text
		remedy, command = "stop, then reset: the board is asked again", ""
	}
	m.note("scale", text)
	m.out.Settled = &Settled{Refused: &Refusal{What: "set the belt's scale", Why: text, Remedy: remedy, Command: command}}
}

// interruptRescale ends a change that something else has interrupted.
func (m *Machine) interruptRescale(why string) {
	if m.rescaling.on {
		m.failRescale("it was interrupted: "+why, true)
	}
}

// noteRescaleReply keeps the trouble that a board reports while its scale is set or stored.
func (m *Machine) noteRescaleReply(r serialio.Reply) {
	if !m.rescaling.on {
		return
	}
	asked := strings.Contains(r.Text, "M503") || strings.Contains(r.Text, "\"M92\"")
	if r.Kind == serialio.ReplyError || strings.Contains(strings.ToLower(r.Text), "unknown command") && !asked {
		m.rescaling.trouble = r.Text
	}
}

// boardDiffersCommand is the command line that helps with a board that differs from before; override is the
// command line that accepts it.
func (m *Machine) boardDiffersCommand(override string) string {
	if m.unstoredScale(m.link.board.StepsPerMM) != "" {
		return "beltwarden scale --apply --store, or " + override
	}
	return override
}

// unstoredScale describes a scale that was set and not stored, and that the board has lost; "" if it has
// not.
func (m *Machine) unstoredScale(steps float64) string {
	s := m.bed.Scale
	if s == nil || s.Stored || math.Abs(steps-s.OldStepsPerMM) > stepsTolerance {
		return ""
	}
	return fmt.Sprintf("; it has lost the %g that were set but not stored; set them again and store them", s.NewStepsPerMM)
}
