package supervisor

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"beltwarden/supervisor/ledger"
)

// judgeBoard takes in what the board said of itself, and compares it with the
// board that this port had at its last run. A board with other steps/mm makes
// parts of another length, and a port name may come to mean another machine.
func (m *Machine) judgeBoard() {
	b := &m.link.board
	m.guard.Taken()
	if b.capabilities["AUTOREPORT_TEMP"] {
		seconds := max(1, int(math.Round(m.set.PollEvery.Seconds())))
		m.do(AskBoard{Text: fmt.Sprintf("M155 S%d", seconds)})
		b.reports = true
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
	b := &m.link.board
	differs := m.otherSteps()
	if k := m.known; k != nil {
		if k.Firmware != "" && b.firmware != k.Firmware {
			differs = append(differs, fmt.Sprintf("the board identifies as %q; at its last run it was %q", b.firmware, k.Firmware))
		}
		if changed := changedCapabilities(k.Capabilities, b.capabilities); changed != "" {
			differs = append(differs, "the board's capabilities have changed: "+changed)
		}
	}
	m.strange = strings.Join(differs, "; ")
}

// otherSteps compares the belt's steps/mm with the configuration, or else with the
// board's last run.
func (m *Machine) otherSteps() []string {
	b := &m.link.board
	want, from := m.set.StepsPerMM, "the configuration"
	if want == 0 && m.known != nil {
		want, from = m.known.StepsPerMM, "its last run"
	}
	switch {
	case want == 0:
	case b.stepsPerMM == 0:
		m.note("board", "the board does not report its belt steps/mm, so they were not compared")
	case math.Abs(b.stepsPerMM-want) > 0.005:
		return []string{fmt.Sprintf("the board's belt axis runs at %g steps/mm, %s says %g%s", b.stepsPerMM, from, want, m.forgotten(b.stepsPerMM))}
	}
	return nil
}

// changedCapabilities lists what a board has lost or gained.
func changedCapabilities(was, is map[string]bool) string {
	names := map[string]bool{}
	for _, set := range []map[string]bool{was, is} {
		for name := range set {
			names[name] = true
		}
	}
	var list []string
	for _, name := range slices.Sorted(maps.Keys(names)) {
		switch {
		case was[name] && !is[name]:
			list = append(list, name+" is gone")
		case !was[name] && is[name]:
			list = append(list, name+" is new")
		}
	}
	return strings.Join(list, ", ")
}

// acceptBoard keeps the present board as the one that belongs to this port.
func (m *Machine) acceptBoard() {
	b := &m.link.board
	seen := ledger.BoardSeen{Port: m.set.Port.Path, Firmware: b.firmware, Capabilities: b.capabilities, StepsPerMM: b.stepsPerMM}
	if k := m.known; k != nil && k.Firmware == seen.Firmware && k.StepsPerMM == seen.StepsPerMM &&
		changedCapabilities(k.Capabilities, seen.Capabilities) == "" {
		return // nothing new to keep
	}
	m.known, m.strange = &seen, ""
	m.record(seen)
}
