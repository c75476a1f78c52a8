package supervisor

import (
	"strings"
	"time"

	"beltwarden/serialio"
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
