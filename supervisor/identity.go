package supervisor

import (
	"fmt"
	"math"
	"strings"
)

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
