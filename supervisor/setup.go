package supervisor

import (
	"fmt"
	"math"
	"time"

	"beltwarden/supervisor/board"
	"beltwarden/supervisor/ledger"
)

// Setting up: a person stands at the cold, empty machine, lets the belt move a few millimetres at a time, and says what
// they saw. It finds what the configuration must say of the belt: which way is forward, how far the drop edge is, and
// whether a commanded millimetre is one.

// SetupMove requests one move of the belt. Only the belt's axis moves.
type SetupMove struct {
	// MM is along the board's axis, + for a positive move, whatever the configuration says of its direction; at least 1
	// and at most 100 either way.
	MM float64 `json:"mm"`
	// FromMark says that a mark lies under the nozzle now: the distance to the drop edge counts from here.
	FromMark bool `json:"from_mark,omitempty"`
	// Clear is the confirmation that hands, tools and parts are off the belt and the head is off it too. Without it nothing moves.
	Clear bool `json:"clear"`
}

// SetupFound is what a person saw of the moves.
type SetupFound struct {
	// Direction is where the last move carried the belt: drop_edge, away, still or unknown; empty: nothing is said of it.
	Direction string `json:"direction,omitempty"`
	// Drop is whether the mark fell over the drop edge in the last move: fell or unknown; empty: nothing is said of it.
	Drop string `json:"drop,omitempty"`
	// MeasuredMM is how far a mark has moved in the last move; 0: nothing is said of it.
	MeasuredMM float64 `json:"measured_mm,omitempty"`
}

// SetupView is what setting up has found since the daemon started.
type SetupView struct {
	// Unknown lists the keys of the configuration that say "not known": machine.forward, belt.to_drop_mm.
	Unknown []string `json:"unknown"`
	Moving  bool     `json:"moving,omitempty"`  // the belt moves; keep hands clear
	LastMM  float64  `json:"last_mm,omitempty"` // the newest move that has ended as commanded; 0: none
	Text    string   `json:"text,omitempty"`    // outcome of the newest move or answer
	// FromMarkMM is how far the mark has moved; nil: none was put under the nozzle, or a move since did not end as commanded.
	FromMarkMM *float64 `json:"from_mark_mm,omitempty"`
	// Forward is the direction found, +1 or -1; ToDropMM the distance found. 0: not found.
	Forward  int     `json:"forward,omitempty"`
	ToDropMM float64 `json:"to_drop_mm,omitempty"`
}

// setup is what setting up has found, and the move in progress.
type setup struct {
	moving   bool
	mm       float64 // of the move in progress, along the axis
	doneMM   float64 // of it, confirmed by the board
	fromMark bool
	by       string

	lastMM     float64
	fromMarkMM *float64 // never modified: snapshots share it
	forward    int
	toDropMM   float64
	text       string
}

// Bounds on a move.
const (
	shortestSetupMM = 1
	longestSetupMM  = 100
	// setupPieceMM is the longest run-out after a stop. A move of longestSetupMM goes out whole, as production does it.
	setupPieceMM   = 10
	setupSlowFeed  = 300 // mm/min, up to setupSlowMM
	setupFeed      = 600
	setupSlowMM    = 10
	setupBound     = 10 * time.Second // for a board to answer, besides half as long again as the move; the answer must come within 30 s
	setupReadingMM = 0.5              // reading accuracy of a rule
	setupDoing     = "moving the belt to set it up; keep hands clear"
	setupWhat      = "move the belt"
)

// forwardUnknownText is why nothing may run the belt.
const forwardUnknownText = "it is not known which way a positive move carries the belt (machine.forward): parts could run under the head"

// checkForward refuses what runs the belt in a direction while that is not known.
func (m *Machine) checkForward(what string) error {
	if !m.set.ForwardUnknown {
		return nil
	}
	return &Refusal{What: what, Why: forwardUnknownText, Remedy: "find it with a move of 5 mm, write it into the configuration and restart the daemon", Command: "beltwarden setup"}
}

// checkClearBelt refuses to run the belt over the drop edge while direction or distance are not known.
func (m *Machine) checkClearBelt(what string) error {
	if m.set.ToDropMM <= 0 {
		return &Refusal{What: what + " and clear the belt", Why: "the distance to the drop edge is not known (belt.to_drop_mm)", Remedy: "stop without clearing the belt, and take the parts off by hand"}
	}
	return m.checkForward(what + " and clear the belt")
}

// setupMove moves the belt. The answer follows once the board has confirmed the move.
func (m *Machine) setupMove(r Request) error {
	q := *r.SetupMove
	if err := m.checkSetupMove(&q); err != nil {
		return err
	}
	s := &m.setup
	s.moving, s.mm, s.doneMM, s.fromMark, s.by = true, q.MM, 0, q.FromMark, r.By
	s.lastMM, s.text = 0, ""
	if q.FromMark {
		s.fromMarkMM = new(float64)
	}
	feed, piece := float64(setupFeed), float64(setupPieceMM)
	switch length := math.Abs(q.MM); {
	case length <= setupSlowMM:
		feed = setupSlowFeed
	case length == longestSetupMM:
		piece = longestSetupMM
	}
	m.timers.set(timerSetup, m.now.Add(setupBound+time.Duration(1.5*math.Abs(q.MM)/feed*float64(time.Minute))))
	m.note("setup", fmt.Sprintf("%s moves the belt: %s %+g mm at %g mm/min", who(r.By), m.set.BeltAxis, q.MM, feed))
	// Whoever takes over from a process that is killed during the move does not know how much of it was run.
	before := m.belt.totals()
	before.UncertainMM += math.Abs(q.MM)
	m.record(ledger.BeltMoved{Belt: before})
	m.out.Deferred = true
	n := pieces(q.MM, piece)
	var legs []leg
	for k := range n {
		legs = append(legs, leg{
			doing: setupDoing,
			program: func() Program {
				at := m.position()
				var lines []string
				if k == 0 {
					lines = append(lines, resetLineNumber)
				}
				lines = append(lines, millimetreLines(at)...)
				// The sign of the axis, and not the one of the configuration: that is what is looked for.
				lines = append(lines, m.advanceLinesAt(m.set.Forward*q.MM/float64(n), at.PositionMM[m.set.BeltAxis], feed, piece)...)
				return Program{Before: append(lines, "M400", "M114")}
			},
			end: func() { m.setupPieceRan(q.MM/float64(n), k == n-1) },
		})
	}
	m.setLegs(legs)
	return nil
}

// checkSetupMove refuses a move that could hurt somebody, the belt or the count.
func (m *Machine) checkSetupMove(q *SetupMove) error {
	refuse := func(why, remedy, command string) error {
		return &Refusal{What: setupWhat, Why: why, Remedy: remedy, Command: command}
	}
	if length := math.Abs(q.MM); !(length >= shortestSetupMM && length <= longestSetupMM) {
		return refuse(fmt.Sprintf("a move of %g mm is not possible (%d to %d mm, either way)", q.MM, shortestSetupMM, longestSetupMM), "begin with 5", "")
	}
	switch m.state {
	case Idle, Stopped, Complete:
	default:
		return refuse(fmt.Sprintf("the machine is %s", m.state), "a move to set it up begins when it is Idle, Stopped or Complete", "")
	}
	h := &m.temps
	switch {
	case m.link.phase != linkUp || m.work.running != 0 || len(m.work.legs) > 0:
		return refuse("the board is not connected or is busy", "reset to make it ready", "beltwarden reset")
	case m.lot != nil && ledger.Unfinished(m.lot.Status):
		return refuse(fmt.Sprintf("lot %d is not finished", m.lot.ID), "finish it or give it up first", fmt.Sprintf("beltwarden lot end %d --reason TEXT", m.lot.ID))
	case m.trials.open() != nil:
		return refuse(fmt.Sprintf("trial %d is still open", m.trials.open().ID), "end it first", "beltwarden trial end --after-mm MM, or --give-up")
	case !h.hasNozzle && !h.hasBed, h.hasNozzle && !h.nozzleFresh(), h.hasBed && !h.bedFresh():
		return refuse("the board does not report its temperatures", "try again in a moment", "")
	case h.nozzleC > trialColdC || h.bedC > trialColdC || h.nozzleTargetC > 0 || h.bedTargetC > 0:
		return refuse(fmt.Sprintf("the machine is not cold: nozzle %.0f °C, bed %.0f °C, limit %d °C, both targets 0", h.nozzleC, h.bedC, trialColdC), "let it cool", "")
	case m.belt.occupied:
		return refuse("parts may be on the belt", "clear the belt and record it", "beltwarden check --belt-cleared")
	case m.boardDiffers != "":
		return refuse(m.boardDiffers, "make sure that it is the right board", "beltwarden status")
	case !q.Clear:
		return refuse("nobody has confirmed that hands, tools and parts are off the belt and the head is lifted", "look, then confirm it", "--yes")
	}
	return nil
}

// setupPieceRan judges a piece by what the board reports.
func (m *Machine) setupPieceRan(mm float64, last bool) {
	at := m.position()
	off := m.work.position.DifferenceMM(m.set.BeltAxis, &at)
	switch {
	case off > board.ToleranceMM:
		// Most likely the move is longer than the board allows. The belt carries no part, so that nothing is lost.
		m.belt.madeMM = m.belt.latest.TravelMM
		m.work.legs = nil
		m.failSetup(fmt.Sprintf("the board reports that the belt's axis is %.1f mm from where the move leads: it may limit the length of a move (machine.travel_limit_mm) or have dropped it", off))
		return
	case m.failIfDisplaced("the board is not where the move of the belt left it"):
		return
	}
	s := &m.setup
	if s.doneMM += mm; !last {
		return
	}
	s.lastMM = s.mm
	if s.fromMarkMM != nil {
		sum := *s.fromMarkMM + s.mm
		s.fromMarkMM = &sum
	}
	text := fmt.Sprintf("the board reports that the belt has moved %+g mm along %s; say what you saw", s.mm, m.set.BeltAxis)
	if s.fromMarkMM != nil {
		text += fmt.Sprintf(". The mark is %g mm from the nozzle", math.Abs(*s.fromMarkMM))
	}
	m.endSetup(text)
	m.recordBelt()
	m.out.Settled = &Settled{Result: Result{State: m.state, Text: text}}
}

// endSetup ends the move in progress.
func (m *Machine) endSetup(text string) {
	m.setup.moving, m.setup.text = false, text
	m.timers.stop(timerSetup)
	m.note("setup", text)
}

// failSetup answers the request with why the move did not end as commanded.
func (m *Machine) failSetup(why string) {
	s := &m.setup
	most := math.Abs(s.mm)
	why += fmt.Sprintf("; the belt may have moved up to %g mm, of which %g mm are confirmed", most, math.Abs(s.doneMM))
	m.belt.uncertainMM += most - math.Abs(s.doneMM)
	s.lastMM, s.fromMarkMM = 0, nil
	m.endSetup(why)
	m.recordBelt()
	m.out.Settled = &Settled{Refused: &Refusal{What: setupWhat, Why: why, Remedy: "look at the belt; if a mark was under the nozzle, put it there again", Command: "beltwarden status"}}
}

// interruptSetup ends a move that something else has interrupted.
func (m *Machine) interruptSetup(why string) {
	if m.setup.moving {
		m.failSetup("the move was interrupted: " + why)
	}
}

// setupFound takes what a person saw, and says what the configuration must say.
func (m *Machine) setupFound(r Request) error {
	const what = "take what was seen"
	q := *r.SetupFound
	s := &m.setup
	refuse := func(why, remedy string) error { return &Refusal{What: what, Why: why, Remedy: remedy} }
	said := 0
	for _, is := range []bool{q.Direction != "", q.Drop != "", q.MeasuredMM != 0} {
		if is {
			said++
		}
	}
	var text string
	switch {
	case said != 1:
		return refuse(fmt.Sprintf("%d things are said of the move", said), "say one: the direction, the drop edge or the length measured")
	case q.Direction == "unknown":
		s.forward = 0
		text = "the belt's direction is not known: no part can be made, no trial run and no part moved off, until machine.forward says it"
	case q.Drop == "unknown":
		s.toDropMM = 0
		text = "the distance to the drop edge is not known (belt.to_drop_mm: 0): parts can be made, but it cannot be foreseen when they fall, " +
			"nothing is run over the drop edge at the end of a lot, and a part that reaches beyond it while it is made is not found"
	case s.moving || s.lastMM == 0:
		return refuse("no move has ended as commanded since the daemon started", "move the belt first")
	case q.Direction != "":
		var err error
		if text, err = m.directionFound(q.Direction); err != nil {
			return err
		}
	case q.Drop == "fell":
		if s.fromMarkMM == nil || math.Abs(*s.fromMarkMM) < 20 {
			return refuse("the mark has not come 20 mm from the nozzle, or a move since then did not end as commanded", "put it under the nozzle and count from there")
		}
		s.toDropMM = math.Abs(*s.fromMarkMM)
		text = fmt.Sprintf("the drop edge is %g mm from the nozzle, or up to %g mm less; in the configuration: belt.to_drop_mm: %g", s.toDropMM, math.Abs(s.lastMM), s.toDropMM)
		s.fromMarkMM = nil
	case q.Drop != "":
		return refuse(fmt.Sprintf("%q cannot be said of the drop edge", q.Drop), "say fell or unknown")
	default:
		if math.Abs(s.lastMM) < 50 || !(q.MeasuredMM > 0 && q.MeasuredMM <= 10*longestSetupMM) {
			return refuse(fmt.Sprintf("%g mm measured after a move of %g mm say nothing of the scale", q.MeasuredMM, math.Abs(s.lastMM)), "move 100 mm and measure how far the mark has come")
		}
		text = m.lengthFound(math.Abs(s.lastMM), q.MeasuredMM)
	}
	s.text = text
	m.note("setup", fmt.Sprintf("seen by %s: %s", who(r.By), text))
	m.out.Result.Text = text
	return nil
}

// directionFound takes where the last move has carried the belt.
func (m *Machine) directionFound(seen string) (string, error) {
	s := &m.setup
	sign := 1
	if s.lastMM < 0 {
		sign = -1
	}
	switch seen {
	case "drop_edge":
	case "away":
		sign = -sign
	case "still":
		s.forward = 0
		return fmt.Sprintf("the board reports a move of %+g mm and the belt did not move: nothing is known of its direction. Is the machine's mains power on, is %s the belt's axis, "+
			"is its motor plugged in, does its pulley hold?", s.lastMM, m.set.BeltAxis), nil
	default:
		return "", &Refusal{What: "take what was seen", Why: fmt.Sprintf("%q is no direction", seen), Remedy: "say drop_edge, away, still or unknown"}
	}
	s.forward = sign
	text := fmt.Sprintf("a positive move carries the belt to the drop edge; in the configuration: machine.forward: %+d", sign)
	if sign < 0 {
		text = fmt.Sprintf("a positive move carries the belt away from the drop edge; in the configuration: machine.forward: %+d", sign)
	}
	if !m.set.ForwardUnknown && float64(sign) != m.set.Forward {
		text += fmt.Sprintf(". THE CONFIGURATION SAYS %+g: make no part before it is changed", m.set.Forward)
	}
	return text, nil
}

// lengthFound compares a move with what was measured.
func (m *Machine) lengthFound(commandedMM, measuredMM float64) string {
	off := measuredMM/commandedMM - 1
	text := fmt.Sprintf("commanded %g mm, measured %g mm", commandedMM, measuredMM)
	steps := m.link.board.StepsPerMM
	switch {
	case math.Abs(measuredMM-commandedMM) <= setupReadingMM:
		return text + ": the scale is right, as well as a rule shows it"
	case math.Abs(off) > largestRescale:
		return text + ": a scale is hardly so far out; look for a belt that slips on its roller, the wrong unit, or a move that was not measured whole"
	case steps > 0:
		return text + fmt.Sprintf(": measure again; if it comes out alike, the board's scale is wrong: from %g to %.2f steps/mm; "+
			"if it comes out otherwise each time, the belt slips", steps, steps*commandedMM/measuredMM)
	}
	return text + fmt.Sprintf(": the belt goes %+.1f %% too far; the board does not report its steps/mm, so correct them on the board itself", 100*off)
}

// setupView returns what setting up has found, nil if there is nothing to say.
func (m *Machine) setupView() *SetupView {
	s := &m.setup
	v := &SetupView{Unknown: []string{}, Moving: s.moving, LastMM: s.lastMM, Text: s.text, FromMarkMM: s.fromMarkMM, Forward: s.forward, ToDropMM: s.toDropMM}
	if m.set.ForwardUnknown {
		v.Unknown = append(v.Unknown, "machine.forward")
	}
	if m.set.ToDropMM <= 0 {
		v.Unknown = append(v.Unknown, "belt.to_drop_mm")
	}
	if len(v.Unknown) == 0 && s.text == "" && !s.moving {
		return nil
	}
	return v
}
