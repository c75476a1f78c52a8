package supervisor

import (
	"fmt"
	"strings"
	"time"

	"beltwarden/supervisor/ledger"
)

// RecoveryView is, after a fault or a start that found work unfinished, what is certain, what is
// not, and what can be done.
type RecoveryView struct {
	Certain   []string `json:"certain"`
	Uncertain []string `json:"uncertain"`
	// Options are ways to continue, the usual one first. Each needs somebody at the machine.
	Options []RecoveryOption `json:"options"`
	// ResumesAt is when the machine resumes by itself, ResumeBlockedBy what prevents that. Both are
	// empty where automatic resumption does not apply.
	ResumesAt       *time.Time `json:"goes_on_at,omitempty"`
	ResumeBlockedBy string     `json:"not_alone,omitempty"`
}

// RecoveryOption is one way to continue.
type RecoveryOption struct {
	Name  string   `json:"name"` // mend, connect, scrap, good, go-on, realigned or end
	Text  string   `json:"text"`
	Steps []string `json:"steps"` // commands, one after the other; empty if none helps
}

// recoveryView returns nil while there is nothing to recover from.
func (m *Machine) recoveryView() *RecoveryView {
	switch m.state {
	case Aborting, Aborted, Clearing, Stopped, Resetting, Idle:
	case Starting, Execute, Completing, Complete, Holding, Held, Unholding, Suspending, Suspended, Unsuspending, Stopping:
		return nil
	}
	l := m.lot
	open := l != nil && l.Status == ledger.LotOpen
	if m.state != Aborting && m.state != Aborted && (!open || m.belt.known && len(m.book.Undecided) == 0) {
		return nil
	}
	v := &RecoveryView{Certain: []string{}, Uncertain: []string{}, Options: []RecoveryOption{}}
	sure := func(format string, a ...any) { v.Certain = append(v.Certain, fmt.Sprintf(format, a...)) }
	doubt := func(format string, a ...any) { v.Uncertain = append(v.Uncertain, fmt.Sprintf(format, a...)) }
	if l != nil {
		t := l.Total()
		sure("lot %d, %s", l.ID, t)
		if t.Interrupted > 0 {
			doubt("%s: not counted until you record whether good or scrap", plural(t.Interrupted, "part was interrupted", "parts were interrupted"))
		}
	}
	m.boardFacts(sure, doubt)
	m.heaterFacts(sure, doubt)
	m.beltFacts(sure, doubt)
	v.Options = m.recoveryOptions(open)
	if m.autoResumeApplies() {
		v.ResumeBlockedBy = m.autoResumeBlockedBy()
	}
	if at := m.timers[timerResume]; !at.IsZero() {
		v.ResumesAt = &at
	}
	return v
}

// boardFacts lists what the board reported about itself. It comes first: what the board accepted
// counts, whatever is on record.
func (m *Machine) boardFacts(sure, doubt func(string, ...any)) {
	b := &m.link.answer
	switch {
	case !b.Answered:
		doubt("the board has not answered since")
	case b.Restarted:
		sure("the board has restarted and lost its position")
	case b.Number == 0:
		sure("the board has accepted no line since it started")
	case b.Number > 0:
		sure("the board has not restarted; the last line it accepted is %d", b.Number)
	default:
		sure("the board answers")
		doubt("whether the board has restarted: it does not report its line number")
	}
	if b.Position.Reported && !b.Restarted {
		sure("the board reports its position as X %.1f, Y %.1f, Z %.1f", b.Position.At[0], b.Position.At[1], b.Position.At[2])
	}
	if m.boardDiffers != "" {
		doubt("whether it is the same board: %s", m.boardDiffers)
	} else if b.Answered && m.link.board.StepsPerMM > 0 && m.knownBoard != nil {
		sure("the belt's scale is still %g steps/mm", m.link.board.StepsPerMM)
	}
}

// heaterFacts lists whether anything is hot.
func (m *Machine) heaterFacts(sure, doubt func(string, ...any)) {
	text := m.guard.Text()
	switch {
	case m.guard.ShownOff():
		sure("the heaters are %s", text)
	case text != "":
		doubt("the heaters are %s", text)
	case m.guard.MayBeOn():
		doubt("the heaters may be on")
	case m.link.phase == linkUp:
		doubt("the board has accepted the commands that switch nozzle and bed off; readings have not shown them to be off")
	}
}

// beltFacts lists where the belt is and what may lie on it.
func (m *Machine) beltFacts(sure, doubt func(string, ...any)) {
	b := &m.belt
	switch {
	case b.known:
		sure("nothing is under the head, and the belt's position is known")
	case b.uncertainMM > 0:
		doubt("something may be under the head, and up to %.1f mm of belt travel are uncertain: run and not counted, or counted and not run", b.uncertainMM)
	default:
		doubt("something may be under the head")
	}
}

// recoveryOptions lists the ways to continue.
func (m *Machine) recoveryOptions(open bool) []RecoveryOption {
	ready := []string{"beltwarden start"}
	switch m.state {
	case Aborting, Aborted, Clearing:
		ready = []string{"beltwarden clear --go-on"}
	case Stopped, Resetting:
		ready = []string{"beltwarden reset --go-on"}
	}
	check := func(words ...string) string {
		if !m.belt.known {
			words = append([]string{"--belt-cleared"}, words...)
		}
		return strings.TrimSpace("beltwarden check " + strings.Join(words, " "))
	}
	var list []RecoveryOption
	add := func(name, text string, steps ...string) {
		list = append(list, RecoveryOption{name, text, append([]string{}, steps...)})
	}
	clear := "beltwarden clear"
	if doubt := m.guard.Doubt(); m.heatFault == "" && doubt != "" && m.state == Aborted {
		add("mend", "readings cannot show the heaters to be off while this lasts: "+doubt+"; once it is repaired or removed", clear+" --mended TEXT")
	}
	if m.heatFault != "" {
		clear += " --mended TEXT"
		add("mend", "switch off at the mains and let it cool; check the sensor, the heater and their wiring, and repair the fault; then go on from Stopped", clear)
	}
	if m.link.phase != linkUp && m.state != Clearing {
		text := "check the cable and the power supply until the board answers again"
		if m.guard.MayBeOn() {
			text = "switch off at the mains: the heaters may be on; " + text
		}
		add("connect", text)
	}
	switch {
	case m.heatFault != "" && !open:
		return list
	case m.heatFault != "":
	case !open:
		if m.state == Aborted {
			add("go-on", "look at the machine, then make it ready", "beltwarden clear", "beltwarden reset")
		}
		return list
	case len(m.book.Undecided) > 0:
		add("scrap", "clear the belt, call the interrupted part scrap, and go on", append([]string{check("--interrupted scrap")}, ready...)...)
		add("good", "clear the belt, call the interrupted part good, and go on", append([]string{check("--interrupted good")}, ready...)...)
		add("realigned", "clear and realign the belt, call the part scrap, and go on", append([]string{check("--interrupted scrap", "--realigned")}, ready...)...)
	case !m.belt.known:
		add("go-on", "clear the belt and go on", append([]string{check()}, ready...)...)
		add("realigned", "clear and realign the belt, and go on", append([]string{check("--realigned")}, ready...)...)
	default:
		add("go-on", "look at the machine, and go on", ready...)
	}
	end := []string{fmt.Sprintf("beltwarden lot end %d --reason TEXT", m.lot.ID)}
	if m.state == Aborted || m.state == Aborting {
		end = append(end, clear)
	}
	add("end", "give up the lot", end...)
	return list
}
