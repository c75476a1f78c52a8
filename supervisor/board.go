package supervisor

import (
	"fmt"
	"math"
	"strings"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/board"
	"beltwarden/supervisor/heat"
)

// reported takes in a line of the board's own.
func (m *Machine) reported(r serialio.Reply) {
	if t := r.Temps; t.Any() || t.NozzleUnread || t.BedUnread {
		m.temperatures(r.Temps)
	}
	m.positionReported(r)
	m.rescaleTold(r)
	if r.Kind != serialio.ReplyCapability || m.link.phase == linkUp { // else somebody before us asked, and the board is asked again
		m.link.board.Hear(r, m.set.BeltAxis.Letter(), m.position())
	}
	switch r.Kind {
	case serialio.ReplyEcho, serialio.ReplyUnknown:
		m.refusedCold(r.Text)
	case serialio.ReplyError:
		if !m.refusedCold(r.Text) {
			m.boardSays(r.Text)
		}
	case serialio.ReplyAction:
		m.hostAction(r.Action)
	}
}

// boardSays records a message of the board's own.
func (m *Machine) boardSays(text string) {
	if text = m.link.board.Says(m.now, text); text != "" {
		m.note("board", text)
	}
}

// refusedCold acts on a board that did not push filament because the nozzle is too
// cold: the part has a gap, whatever its lines say.
func (m *Machine) refusedCold(text string) bool {
	if m.cycle == nil || m.cycle.made || m.state == Aborting || !strings.Contains(strings.ToLower(text), "cold extru") {
		return false
	}
	why := "the board did not push filament: " + text + "; the heater, the sensor or a wire is broken or loose" + heat.OrNoMains
	m.unheated()
	m.guard.Accuse(heat.Nozzle, why)
	m.fault(Cause{CauseHeat, why})
	return true
}

// hostAction obeys what a board asks of its host, where there is something to obey.
func (m *Machine) hostAction(word string) {
	why := Cause{CauseBoard, "the board asks for " + word}
	done := false
	switch word {
	case "pause", "paused":
		done = m.change(Hold, why)
	case "cancel":
		done = m.change(Stop, why)
	}
	if !done {
		m.boardSays(why.Text + "; ignored")
	}
}

// temperatures takes in a reading and sees whether it ends a wait.
func (m *Machine) temperatures(t serialio.Temps) {
	m.heat.asking, m.heat.read = false, m.now
	m.heat.took(t, m.now)
	m.others.Reported(t.HasChamber, t.HasSecond)
	m.warmed(t)
	m.foundHot(t)
	m.watchHeat(t)
	if c := m.cycle; c != nil && m.laying && !c.made {
		c.lostC = max(c.lostC, m.guard.Lost(heat.Nozzle))
	}
	m.waited()
}

// staleAfter is how much older than the newest reading that of one heater may be. No wait
// takes one that is older at all.
const staleAfter = 10 * time.Second

// nozzleTold and bedTold report whether what was read of a heater last is what is.
func (h *warm) nozzleTold() bool { return h.hasNozzle && h.read.Sub(h.nozzleRead) <= staleAfter }
func (h *warm) bedTold() bool    { return h.hasBed && h.read.Sub(h.bedRead) <= staleAfter }

// took takes in what a reading tells.
func (h *warm) took(t serialio.Temps, now time.Time) {
	if t.HasNozzle {
		h.nozzleRead = now
		h.earlierNozzleC = h.nozzleC
		h.hasNozzle, h.nozzleC, h.nozzleTargetC = true, t.NozzleC, t.NozzleTargetC
	}
	if t.HasBed {
		h.bedRead = now
		h.hasBed, h.bedC, h.bedTargetC = true, t.BedC, t.BedTargetC
	}
}

// poll asks for temperatures where the board does not send them by itself.
func (m *Machine) poll() {
	m.timers.set(timerPoll, m.now.Add(m.set.PollEvery))
	m.expectReadings()
	if m.link.reports && m.now.Sub(m.heat.read) < silentPolls*m.set.PollEvery {
		return
	}
	m.ask()
}

// silentPolls: a board that told its temperatures by itself and has missed so many
// reports is asked again; it may have restarted the habit's timer, or lost the word.
const silentPolls = 5

// ask asks for one reading, unless one is on its way. An answer that never comes
// is given up after ten polls.
func (m *Machine) ask() {
	if m.link.phase != linkUp {
		return
	}
	if m.heat.asking && m.now.Sub(m.heat.asked) < 10*m.set.PollEvery {
		return
	}
	m.heat.asking, m.heat.asked = true, m.now
	m.do(AskBoard{Text: "M105"})
}

// heatersOff switches both heaters off ahead of everything else.
func (m *Machine) heatersOff() {
	if m.link.phase != linkUp {
		return
	}
	for _, line := range m.offLines() {
		m.do(AskBoard{Text: line})
	}
	m.guard.Taken()
	m.switchedOff()
}

// offLeg switches the heaters off, and shows that the board has taken it. With
// settle it also waits until all moves have ended.
func (m *Machine) offLeg(settle bool) leg {
	lines := m.offLines()
	if settle {
		lines = append(lines, "M400")
	}
	lines = append(lines, "M114") // its answer comes once the others are carried out
	return leg{
		doing:   "switching the heaters off",
		safe:    true,
		program: func() Program { return Program{Before: lines} },
		end: func() {
			m.guard.Taken()
			m.switchedOff()
		},
	}
}

// judgeBoard takes in what the board said of itself, and compares it with the
// board that this port had at its last run. A board with other steps/mm makes
// parts of another length, and a port name may come to mean another machine.
func (m *Machine) judgeBoard() {
	m.guard.Taken()
	if m.link.board.CanReport() {
		seconds := max(1, int(math.Round(m.set.PollEvery.Seconds())))
		m.do(AskBoard{Text: fmt.Sprintf("M155 S%d", seconds)})
		m.link.reports = true
	}
	m.rescaling.unsure = ""
	m.compareBoard()
	if m.strange != "" {
		m.note("board", m.strange)
		return // it is kept as this port's board once the operator lets it run
	}
	m.acceptBoard()
}

// compareBoard finds in what the board differs from the one that is expected.
func (m *Machine) compareBoard() {
	differs := m.otherSteps()
	if m.known != nil {
		differs = append(differs, m.link.board.Differs(m.known)...)
	}
	m.strange = strings.Join(differs, "; ")
}

// otherSteps compares the belt's steps/mm with the configuration, or else with the
// board's last run.
func (m *Machine) otherSteps() []string {
	is := m.link.board.StepsPerMM
	want, from := m.set.StepsPerMM, "the configuration"
	if want == 0 && m.known != nil {
		want, from = m.known.StepsPerMM, "its last run"
	}
	switch {
	case want == 0:
	case is == 0:
		m.note("board", "the board does not report its belt steps/mm, so they were not compared")
	case math.Abs(is-want) > 0.005:
		return []string{fmt.Sprintf("the board's belt axis runs at %g steps/mm, %s says %g%s", is, from, want, m.forgotten(is))}
	}
	return nil
}

// acceptBoard keeps the present board as the one that belongs to this port.
func (m *Machine) acceptBoard() {
	if m.known != nil && m.link.board.Is(m.known) {
		return // nothing new to keep
	}
	seen := m.link.board.Seen(m.set.Port.Path)
	m.known, m.strange = &seen, ""
	m.record(seen)
}

// positionReported takes in a position report.
func (m *Machine) positionReported(r serialio.Reply) {
	if r.HasPosition {
		m.work.place = board.Place{At: r.Position, Reported: true}
		m.link.answer.Place = m.work.place
		m.link.places = true
	}
}

// A board that has answered such a question is asked mostProofs times more at the
// most; one that never has, fewProofs times: its first answer may have been damaged.
const (
	mostProofs = 20
	fewProofs  = 3
)

// positionUnconfirmed asks once more where a program ended with that question and has no answer
// to it. A board's line count proves that lines were taken into its queue, and no
// more: where an ok was lost or late, and the count had to settle it, moves and
// waits may go on and heaters be on. The answer comes from behind them in the queue.
func (m *Machine) positionUnconfirmed() bool {
	if !m.work.proof || m.work.place.Reported {
		return false
	}
	m.work.proofs++
	if !m.link.places && m.work.proofs > fewProofs {
		return false // it never told; its oks are all there is
	}
	switch {
	case m.work.proofs <= mostProofs:
		m.runSafe([]string{"M400", "M114"})
	case m.state == Aborting:
		m.abortUnconfirmed()
	default:
		m.fault(Cause{CauseBoard, m.work.doing + ": the board no longer reports its position"})
	}
	return true
}

// placeLeg asks the board where it stands before the machine goes on after a rest. What was
// moved meanwhile, at the panel or by another program, would be taken for nothing, and the
// next part be laid on the last one.
func (m *Machine) placeLeg() leg {
	return leg{
		doing:   "asking the board for its position",
		program: func() Program { return Program{Before: []string{"M400", "M114"}} },
		end:     func() { m.failIfDisplaced("something has moved the machine meanwhile") },
	}
}

// failIfDisplaced ends the run where the board stands at another place than its lines lead to, with
// what that means, and says whether it did.
func (m *Machine) failIfDisplaced(meaning string) bool {
	wrong := m.wrongPlace()
	if wrong == "" {
		return false
	}
	at := m.position()
	if off := m.work.place.OffMM(m.set.BeltAxis, &at); off > board.ToleranceMM {
		// Another hand has moved it, or moves were dropped: at most all since the board last stood right.
		m.belt.uncertainMM += max(off, m.belt.latest.TravelMM-m.belt.madeMM)
		m.belt.madeMM = m.belt.latest.TravelMM
		m.belt.known = false
	}
	m.fault(Cause{CauseBoard, wrong + ": " + meaning})
	return true
}

// asksPlace reports whether a program's last line asks where the board stands.
func (p *Program) asksPlace() bool {
	last := p.last()
	return len(last) > 0 && last[len(last)-1] == "M114"
}

// settles reports whether it does so once all moves have ended.
func (p *Program) settles() bool {
	last := p.last()
	return p.asksPlace() && len(last) > 1 && last[len(last)-2] == "M400"
}

// last returns the lines of ours that a program ends with.
func (p *Program) last() []string {
	if len(p.After) == 0 && p.Plan == nil {
		return p.Before
	}
	return p.After
}

// wrongPlace compares where the board stands at the end of a part with where its lines should
// have brought it; "" when they agree or nothing was reported.
func (m *Machine) wrongPlace() string {
	at := m.position()
	return m.work.place.Wrong(&at)
}
