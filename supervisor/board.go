package supervisor

import (
	"strconv"
	"strings"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/motion"
)

// board is what the controller said of itself since the link came up. Nothing
// is assumed that it did not say.
type board struct {
	firmware     string
	capabilities map[string]bool
	stepsPerMM   float64       // of the belt axis; 0: not told
	reports      bool          // sends temperatures by itself
	limits       motion.Limits // of speed and acceleration; what is zero was not told
	inches       bool          // it told that its settings are in inches
	fresh        bool          // it has restarted since anybody else sent it lines
	own          gcode.State   // settings that it has by itself, as far as told

	minute time.Time // when the present minute of its own words began
	said   int       // words kept in it
}

// emergency reports whether emergency words are acted on before queueing.
func (b board) emergency() bool { return b.capabilities["EMERGENCY_PARSER"] }

// reported takes in a line of the board's own.
func (m *Machine) reported(r serialio.Reply) {
	if t := r.Temps; t.Any() || t.NozzleUnread || t.BedUnread {
		m.temperatures(r.Temps)
	}
	m.positionReported(r)
	m.rescaleTold(r)
	switch r.Kind {
	case serialio.ReplyCapability:
		if m.link.phase == linkUp { // else it was asked by somebody before us, and is asked again
			m.link.board.capabilities[r.Capability] = r.CapabilityOn
		}
	case serialio.ReplyFirmware:
		m.link.board.firmware = r.Text
	case serialio.ReplyEcho, serialio.ReplyUnknown:
		m.refusedCold(r.Text)
		if steps, ok := stepsIn(r.Text, m.set.BeltAxis.Letter()); ok {
			m.link.board.stepsPerMM = steps
		}
		m.link.board.tellsLimits(r.Text)
		m.link.board.tellsOwn(r.Text, m.position())
	case serialio.ReplyError:
		if !m.refusedCold(r.Text) {
			m.boardSays(r.Text)
		}
	case serialio.ReplyAction:
		m.hostAction(r.Action)
	}
}

// boardSays keeps what the board said, up to so many lines a minute: each is a
// transaction, and a board may repeat itself for ever.
func (m *Machine) boardSays(text string) {
	b := &m.link.board
	if m.now.Sub(b.minute) >= time.Minute {
		b.minute, b.said = m.now, 0
	}
	b.said++
	switch {
	case b.said < boardLines:
		m.note("board", text)
	case b.said == boardLines:
		m.note("board", "the board sends more messages than are kept: "+text)
	}
}

// boardLines is how many lines of the board's own are kept in a minute.
const boardLines = 10

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

// stepsIn finds an axis's steps/mm in a settings line such as
// "echo: M92 X80.00 Y80.00 Z400.00 E93.00".
func stepsIn(text string, axis byte) (float64, bool) {
	_, rest, ok := strings.Cut(text, "M92 ")
	if !ok {
		return 0, false
	}
	for _, word := range strings.Fields(rest) {
		if word[0] == axis {
			steps, err := strconv.ParseFloat(word[1:], 64)
			return steps, err == nil && steps > 0
		}
	}
	return 0, false
}

// tellsOwn takes a line of the board's own into what is known of its settings, unless a line that was
// sent since it has restarted may have set them.
func (b *board) tellsOwn(text string, since gcode.State) {
	text = strings.TrimSpace(text)
	if len(text) > 5 && strings.EqualFold(text[:5], "echo:") {
		text = strings.TrimSpace(text[5:])
	}
	told := gcode.NewState()
	if !b.fresh || b.inches || !told.Tell(text) {
		return
	}
	for k := range told.Settings {
		if told.Settings[k].Set&since.Settings[k].Set != 0 {
			return
		}
	}
	if len(since.Lasting.Lines()) == 0 || len(told.Lasting.Lines()) == 0 {
		b.own.Tell(text)
	}
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
	m.others.heard(t)
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
	if m.link.board.reports && m.now.Sub(m.heat.read) < silentPolls*m.set.PollEvery {
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
