package supervisor

import (
	"fmt"
	"time"

	"beltwarden/supervisor/board"
	"beltwarden/supervisor/heat"
)

// leg is one step of a state's work: a program for the board, or a wait for a temperature. Legs run
// one after the other; a leg's program is built when its turn comes, since it may depend on where the
// machine is then.
type leg struct {
	doing   string // text for the operator
	begin   func() // records that must be durable before any byte
	program func() Program
	safe    bool // the program switches off and queries, and neither moves nor heats
	wait    *wait
	end     func()
}

// wait is a condition on temperatures, in degrees Celsius, never NaN. A zero bound is no bound.
type wait struct {
	nozzleFromC float64 // nozzle at least
	nozzleToC   float64 // nozzle at most
	bedFromC    float64 // bed at least
	bedToC      float64 // bed at most
	limit       time.Duration
	since       time.Time
	met         bool // by the newest reading; another one must confirm it
}

// work is what the machine is doing now.
type work struct {
	legs    []leg
	doing   string
	running uint64 // program at the board, 0: none
	nextID  uint64
	end     func() // of the leg in progress
	waiting *wait
	after   func() []leg // added when the present legs are done
	// cancelled is what to do once a cancelled program is settled.
	cancelled       func()
	lines           int64          // lines accepted by then
	position        board.Position // position that the board has reported since the program began
	queriesPosition bool           // the program ends with a query of the position,
	waitsForMotion  bool           // once all moves have ended
	positionQueries int            // times it was queried again
}

// setLegs replaces the work with new legs and begins the first.
func (m *Machine) setLegs(legs []leg) {
	m.work.legs = legs
	m.nextLeg()
}

// nextLeg begins the next leg, or ends the state's work when there is none.
func (m *Machine) nextLeg() {
	if len(m.work.legs) == 0 {
		m.work.doing = ""
		m.workDone()
		return
	}
	l := m.work.legs[0]
	m.work.legs = m.work.legs[1:]
	m.work.doing, m.work.end = l.doing, l.end
	if l.begin != nil {
		l.begin()
	}
	if l.wait != nil {
		m.work.waiting = l.wait
		m.work.waiting.since = m.now
		if l.wait.limit > 0 {
			m.timers.set(timerWait, m.now.Add(l.wait.limit))
		}
		m.queryTemps() // the reading must be newer than the wait
		return
	}
	if l.program == nil {
		m.legDone()
		return
	}
	m.work.positionQueries = 0
	if p := l.program(); l.safe {
		m.runSafe(p.Before)
	} else {
		m.beginProgram(&p)
		m.do(RunProgram{ID: m.work.running, Program: p})
	}
}

// runSafe sends lines that neither move nor heat.
func (m *Machine) runSafe(lines []string) {
	m.beginProgram(&Program{Before: lines})
	m.do(RunSafe{ID: m.work.running, Lines: lines})
}

// beginProgram notes a program that is about to be sent.
func (m *Machine) beginProgram(p *Program) {
	m.work.nextID++
	m.work.running = m.work.nextID
	m.work.lines, m.work.position = m.belt.latest.Lines, board.Position{}
	m.work.queriesPosition, m.work.waitsForMotion = p.queriesPosition(), p.waitsForMotion()
	m.timers.set(timerStuck, m.now.Add(m.set.StuckAfter))
}

// legDone ends the leg in progress and begins the next.
func (m *Machine) legDone() {
	end := m.work.end
	m.work.end = nil
	if end != nil {
		state := m.state
		end()
		if m.state != state {
			return // it ended in a fault, and the new state has work of its own
		}
	}
	m.nextLeg()
}

func (m *Machine) programDone(id uint64) {
	if id == 0 || id != m.work.running {
		return // a late event of an old program
	}
	// It may have ended before a cancellation reached it.
	if !m.releaseProgram() && !m.positionUnconfirmed() {
		m.noteMotionEnded()
		m.legDone()
	}
}

// noteMotionEnded notes that all moves have ended, once the board has reported the expected position after a
// wait for them. Accepting the wait only shows that it is in the board's queue.
func (m *Machine) noteMotionEnded() {
	if m.work.waitsForMotion && m.work.position.Reported && m.displacement() == "" {
		m.belt.madeMM = m.belt.latest.TravelMM
	}
}

func (m *Machine) programCancelled(id uint64) {
	if id == m.work.running {
		m.releaseProgram()
	}
}

func (m *Machine) programFailed(e ProgramFailed) {
	if e.ID == m.work.running && !m.releaseProgram() {
		m.fault(Cause{CauseJob, e.Err.Error()})
	}
}

// releaseProgram releases the program and, if it was cancelled, does what waited for that.
func (m *Machine) releaseProgram() bool {
	m.work.running = 0
	then := m.work.cancelled
	if then == nil {
		return false
	}
	m.work.cancelled = nil
	then()
	return true
}

// cancel drops all legs, takes no further line from the running program, and calls settled once its
// lines in flight are accounted for.
func (m *Machine) cancel(settled func()) {
	m.work.legs, m.work.end, m.work.waiting, m.work.after = nil, nil, nil, nil
	m.timers.stop(timerWait)
	if m.work.running == 0 {
		settled()
		return
	}
	already := m.work.cancelled != nil
	m.work.cancelled = settled
	if !already {
		m.do(CancelProgram{})
	}
	m.breakWait()
}

// breakWaitEvery is how often a board is sent the command to leave a wait; a wait for the bed and one for
// the nozzle may be in flight.
const breakWaitEvery = 2 * time.Second

// breakWait makes the board leave a wait for a temperature at the end of a cancelled program: it would
// delay the commands that switch off.
func (m *Machine) breakWait() {
	m.timers.stop(timerBreakWait)
	if m.work.cancelled == nil || !m.link.board.Emergency() || m.link.halting {
		return
	}
	m.do(SendUrgent{Bytes: "M108\n"})
	m.timers.set(timerBreakWait, m.now.Add(breakWaitEvery))
}

// dropWork drops all work without sending anything to the board, which is gone. The bound on an abort
// stays: it calls the operator even if no board comes back.
func (m *Machine) dropWork() {
	m.work = work{nextID: m.work.nextID}
	m.timers.stop(timerWait, timerStuck, timerBreakWait)
}

// lineAccepted notes when the board accepts a line of a program.
func (m *Machine) lineAccepted() {
	if m.work.running != 0 && m.belt.latest.Lines != m.work.lines {
		m.work.lines = m.belt.latest.Lines
		m.timers.set(timerStuck, m.now.Add(m.set.StuckAfter))
	}
}

// programStuck makes sure that no program waits forever with heaters on for somebody who is not there:
// a board may pause at a command we do not know.
func (m *Machine) programStuck() {
	if m.work.running == 0 {
		return
	}
	m.fault(Cause{CauseBoard, fmt.Sprintf("%s: the board has accepted no line for %s; it may be waiting for somebody", m.work.doing, m.set.StuckAfter)})
}

// waitMet reports whether the readings, newer than the wait, meet it.
func (m *Machine) waitMet() bool {
	w := m.work.waiting
	h := &m.temps
	if w == nil || !h.read.After(w.since) {
		return false
	}
	switch {
	case (w.nozzleFromC > 0 || w.nozzleToC > 0 && h.hasNozzle) && h.nozzleRead != h.read:
		return false // this reading does not include it, and an older one does not count
	case (w.bedFromC > 0 || w.bedToC > 0 && h.hasBed) && h.bedRead != h.read:
		return false
	case (w.nozzleFromC > 0 || w.nozzleToC > 0 && h.hasNozzle) && !m.guard.Plausible(heat.Nozzle),
		(w.bedFromC > 0 || w.bedToC > 0 && h.hasBed) && !m.guard.Plausible(heat.Bed):
		return false
	case w.nozzleFromC > 0 && h.nozzleC < w.nozzleFromC:
		return false
	case w.nozzleToC > 0 && h.nozzleC > w.nozzleToC:
		return false
	case w.bedFromC > 0 && h.bedC < w.bedFromC:
		return false
	case w.bedToC > 0 && h.bedC > w.bedToC:
		return false
	}
	return true
}

// checkWait ends a wait that two plausible readings in a row have met. Readings have no checksum: one
// flipped bit or byte turns a cold nozzle into a hot one, and a hot bed into a cold one. With two in a
// row, the median of three has met the wait whatever the third says, and a reading that no heater can
// have jumped to is not counted. The second is requested at once.
func (m *Machine) checkWait() {
	w := m.work.waiting
	if w == nil {
		return
	}
	before := w.met
	w.met = m.waitMet()
	switch {
	case w.met && before:
		m.work.waiting = nil
		m.timers.stop(timerWait)
		if w.nozzleFromC > 0 || w.bedFromC > 0 {
			m.belt.heatedMM = m.belt.latest.TravelMM
		}
		m.legDone()
	case w.met:
		m.queryTemps()
	}
}

// waitTimedOut handles a temperature that was not reached in time.
func (m *Machine) waitTimedOut() {
	w := m.work.waiting
	if w == nil {
		return
	}
	what := fmt.Sprintf("%s did not end within %s: nozzle %.1f °C of %.1f, bed %.1f °C of %.1f",
		m.work.doing, w.limit, m.temps.nozzleC, m.temps.nozzleTargetC, m.temps.bedC, m.temps.bedTargetC)
	if w.bedToC > 0 {
		// A bed that cools slowly is no danger: call the operator, keep the belt.
		what = fmt.Sprintf("the bed is at %.1f °C after %s and the part lets go at %.1f °C", m.temps.bedC, w.limit, w.bedToC)
		w.limit *= 2
		m.heatersOff() // the nozzle need not wait hot; the next part heats it again
		m.timers.set(timerWait, m.now.Add(w.limit))
		m.note("heat", what)
		m.alert(CauseHeat, what)
		return
	}
	m.suspectMainsLoss()
	m.fault(Cause{CauseHeat, what})
}
