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

// handleReport handles an unsolicited line from the board.
func (m *Machine) handleReport(r serialio.Reply) {
	if t := r.Temps; t.Any() || t.NozzleUnread || t.BedUnread {
		m.handleTemps(r.Temps)
	}
	m.positionReported(r)
	m.noteRescaleReply(r)
	if r.Kind != serialio.ReplyCapability || m.link.phase == linkUp { // otherwise it answers somebody before us, and we query it again
		m.link.board.Handle(r, m.set.BeltAxis.Letter(), m.position())
	}
	switch r.Kind {
	case serialio.ReplyEcho, serialio.ReplyUnknown:
		m.handleColdExtrusion(r.Text)
	case serialio.ReplyError:
		if !m.handleColdExtrusion(r.Text) {
			m.noteBoardMessage(r.Text)
		}
	case serialio.ReplyAction:
		m.handleHostAction(r.Action)
	}
}

// noteBoardMessage records a message from the board.
func (m *Machine) noteBoardMessage(text string) {
	if text = m.link.board.KeepMessage(m.now, text); text != "" {
		m.note("board", text)
	}
}

// handleColdExtrusion handles a board that reports that it did not push filament because the nozzle
// is too cold. The part has a gap, although every line was accepted.
func (m *Machine) handleColdExtrusion(text string) bool {
	if m.cycle == nil || m.cycle.made || m.state == Aborting || !strings.Contains(strings.ToLower(text), "cold extru") {
		return false
	}
	why := "the board did not push filament: " + text + "; the heater, the sensor or a wire is broken or loose" + heat.OrNoMains
	m.suspectMainsLoss()
	m.guard.Distrust(heat.Nozzle, why)
	m.fault(Cause{CauseHeat, why})
	return true
}

// handleHostAction obeys an action command from the board, if it names something we can do.
func (m *Machine) handleHostAction(word string) {
	why := Cause{CauseBoard, "the board asks for " + word}
	done := false
	switch word {
	case "pause", "paused":
		done = m.change(Hold, why)
	case "cancel":
		done = m.change(Stop, why)
	}
	if !done {
		m.noteBoardMessage(why.Text + "; ignored")
	}
}

// handleTemps handles a temperature report and ends the wait that it satisfies.
func (m *Machine) handleTemps(t serialio.Temps) {
	m.temps.querying, m.temps.read = false, m.now
	m.temps.update(t, m.now)
	m.otherHeaters.Reported(t.HasChamber, t.HasSecond)
	m.learnHeat(t)
	m.checkFirstReading(t)
	m.watchHeat(t)
	if c := m.cycle; c != nil && m.laying && !c.made {
		c.heatLossC = max(c.heatLossC, m.guard.HeatLoss(heat.Nozzle))
	}
	m.checkWait()
}

// staleAfter is how much older than the newest report a heater's reading may be and still count as
// present. A wait accepts no older reading at all.
const staleAfter = 10 * time.Second

// nozzleFresh and bedFresh report whether the newest reading of a heater is recent.
func (h *temperatures) nozzleFresh() bool {
	return h.hasNozzle && h.read.Sub(h.nozzleRead) <= staleAfter
}
func (h *temperatures) bedFresh() bool { return h.hasBed && h.read.Sub(h.bedRead) <= staleAfter }

// update applies a temperature report.
func (h *temperatures) update(t serialio.Temps, now time.Time) {
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

// poll queries the temperatures if the board does not report them on its own.
func (m *Machine) poll() {
	m.timers.set(timerPoll, m.now.Add(m.set.PollEvery))
	m.armReadingTimers()
	if m.link.autoReports && m.now.Sub(m.temps.read) < missedReports*m.set.PollEvery {
		return
	}
	m.queryTemps()
}

// missedReports: a board that stops reporting temperatures on its own is queried again after this
// many missed reports. It may have lost the command that set its reporting interval.
const missedReports = 5

// queryTemps queries the temperatures, unless an answer is still due. An answer that never comes is
// given up after ten polls.
func (m *Machine) queryTemps() {
	if m.link.phase != linkUp {
		return
	}
	if m.temps.querying && m.now.Sub(m.temps.queried) < 10*m.set.PollEvery {
		return
	}
	m.temps.querying, m.temps.queried = true, m.now
	m.do(SendControl{Text: "M105"})
}

// heatersOff sends the commands that switch both heaters off, ahead of everything else.
func (m *Machine) heatersOff() {
	if m.link.phase != linkUp {
		return
	}
	for _, line := range m.offLines() {
		m.do(SendControl{Text: line})
	}
	m.guard.MarkOffAccepted()
	m.proveIfWarm()
}

// offLeg switches the heaters off and waits until the board has accepted that. With settle it also
// waits until all moves have ended.
func (m *Machine) offLeg(settle bool) leg {
	lines := m.offLines()
	if settle {
		lines = append(lines, "M400")
	}
	lines = append(lines, "M114") // it is answered after the lines before it are carried out
	return leg{
		doing:   "switching the heaters off",
		safe:    true,
		program: func() Program { return Program{Before: lines} },
		end: func() {
			m.guard.MarkOffAccepted()
			m.proveIfWarm()
		},
	}
}

// acceptIdentity compares what the board reported about itself with the board that this port had at
// its last run. Other steps/mm make parts of another length, and a port name may come to mean
// another machine.
func (m *Machine) acceptIdentity() {
	m.guard.MarkOffAccepted()
	if m.link.board.CanReport() {
		seconds := max(1, int(math.Round(m.set.PollEvery.Seconds())))
		m.do(SendControl{Text: fmt.Sprintf("M155 S%d", seconds)})
		m.link.autoReports = true
	}
	m.rescaling.unknownWhy = ""
	m.compareBoard()
	if m.boardDiffers != "" {
		m.note("board", m.boardDiffers)
		return // it becomes this port's board once the operator lets it run
	}
	m.acceptBoard()
}

// compareBoard finds how the board differs from the expected one.
func (m *Machine) compareBoard() {
	differs := m.stepsDifference()
	if m.knownBoard != nil {
		differs = append(differs, m.link.board.Differs(m.knownBoard)...)
	}
	m.boardDiffers = strings.Join(differs, "; ")
}

// stepsDifference compares the belt's steps/mm with the configuration, or else with the board's
// last run.
func (m *Machine) stepsDifference() []string {
	is := m.link.board.StepsPerMM
	want, from := m.set.StepsPerMM, "the configuration"
	if want == 0 && m.knownBoard != nil {
		want, from = m.knownBoard.StepsPerMM, "its last run"
	}
	switch {
	case want == 0:
	case is == 0:
		m.note("board", "the board does not report its belt steps/mm, so they were not compared")
	case math.Abs(is-want) > 0.005:
		return []string{fmt.Sprintf("the board's belt axis runs at %g steps/mm, %s says %g%s", is, from, want, m.unstoredScale(is))}
	}
	return nil
}

// acceptBoard records the present board as the one on this port.
func (m *Machine) acceptBoard() {
	if m.knownBoard != nil && m.link.board.Matches(m.knownBoard) {
		return // nothing new
	}
	seen := m.link.board.Seen(m.set.Port.Path)
	m.knownBoard, m.boardDiffers = &seen, ""
	m.record(seen)
}

// positionReported handles a position report.
func (m *Machine) positionReported(r serialio.Reply) {
	if r.HasPosition {
		m.work.position = board.Position{At: r.Position, Reported: true}
		m.link.answer.Position = m.work.position
		m.link.reportsPosition = true
	}
}

// A position query that was not answered is repeated at most maxPositionQueries times, or
// maxFirstPositionQueries times on a board that has never answered one.
const (
	maxPositionQueries      = 20
	maxFirstPositionQueries = 3
)

// positionUnconfirmed repeats the position query of a program that ended without an answer to it,
// and reports whether it did. An accepted line is in the board's queue, no more: if an ok was lost
// or late and the line count had to prove acceptance, moves and waits may still be in progress and
// heaters be on. The answer comes after them in the queue.
func (m *Machine) positionUnconfirmed() bool {
	if !m.work.queriesPosition || m.work.position.Reported {
		return false
	}
	m.work.positionQueries++
	if !m.link.reportsPosition && m.work.positionQueries > maxFirstPositionQueries {
		return false // it never answers; its oks are all there is
	}
	switch {
	case m.work.positionQueries <= maxPositionQueries:
		m.runSafe([]string{"M400", "M114"})
	case m.state == Aborting:
		m.abortUnconfirmed()
	default:
		m.fault(Cause{CauseBoard, m.work.doing + ": the board no longer reports its position"})
	}
	return true
}

// positionLeg queries the board's position before the machine continues after a rest. Somebody at
// the panel, or another program, may have moved it; the next part would then be laid on the
// previous one.
func (m *Machine) positionLeg() leg {
	return leg{
		doing:   "asking the board for its position",
		program: func() Program { return Program{Before: []string{"M400", "M114"}} },
		end:     func() { m.failIfDisplaced("something has moved the machine meanwhile") },
	}
}

// failIfDisplaced aborts if the board reports a position other than the one its lines lead to, and
// reports whether it did. meaning says what that implies for the part.
func (m *Machine) failIfDisplaced(meaning string) bool {
	wrong := m.displacement()
	if wrong == "" {
		return false
	}
	at := m.position()
	if off := m.work.position.DifferenceMM(m.set.BeltAxis, &at); off > board.ToleranceMM {
		// Somebody moved it, or the board dropped moves: at most all since its position was last right.
		m.belt.uncertainMM += max(off, m.belt.latest.TravelMM-m.belt.madeMM)
		m.belt.madeMM = m.belt.latest.TravelMM
		m.belt.known = false
	}
	m.fault(Cause{CauseBoard, wrong + ": " + meaning})
	return true
}

// queriesPosition reports whether the program's last line queries the position.
func (p *Program) queriesPosition() bool {
	last := p.lastLines()
	return len(last) > 0 && last[len(last)-1] == "M114"
}

// waitsForMotion reports whether it queries the position after all moves have ended.
func (p *Program) waitsForMotion() bool {
	last := p.lastLines()
	return p.queriesPosition() && len(last) > 1 && last[len(last)-2] == "M400"
}

// lastLines returns our own lines at the end of the program.
func (p *Program) lastLines() []string {
	if len(p.After) == 0 && p.Plan == nil {
		return p.Before
	}
	return p.After
}

// displacement describes how the reported position differs from the one that the lines lead to; ""
// if they agree or none was reported.
func (m *Machine) displacement() string {
	at := m.position()
	return m.work.position.Difference(&at)
}
