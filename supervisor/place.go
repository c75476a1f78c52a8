package supervisor

import (
	"beltwarden/serialio"
	"beltwarden/supervisor/board"
)

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
