package supervisor

import (
	"fmt"
	"math"
	"time"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// cycle is the making of one part: body, then discharge.
type cycle struct {
	lot        *lot // the machine's lot may have changed by the time the board answers
	seq        int64
	job        int
	ordinal    int
	endNumber  int64
	begun      time.Time
	made       bool
	heatLossC  float64 // the most by which its nozzle was below its target, if that was a loss of heat
	firstOfRun bool    // of its run
	beganHot   bool    // it began with nozzle and bed hot: none of its time was heating

	startTravelMM float64 // running total when it began

	placed      bool    // its place on the belt is settled:
	originMM    float64 // the net advance at which its body begins
	clearanceMM float64 // how far the belt advances for it before its body

	fromLedger  bool    // begun by an earlier process
	uncertainMM float64 // its travel that may or may not have been run
	// uncertainAdvanceMM is its net advance that may or may not have been run.
	uncertainAdvanceMM float64
	filamentMM         float64 // filament of a whole cycle
}

// endNumberBase keeps end numbers clear of ordinary line numbers and below the billion at which the
// numbers of the connection's own questions begin, and so within the 32 bits that many boards have for
// them.
const endNumberBase = 900_000_000

// endNumber is the line number given to the last line of a cycle's body.
func endNumber(seq int64) int64 { return endNumberBase + seq%999_999*endNumberSpan }

// nextProvesPart reports whether the next line that a board accepts after a number would get one that proves a part: a process
// was killed between setting that number and the part's last line. Whoever follows has to count anew, or a word that
// switches a heater off becomes the proof.
func nextProvesPart(last int64) bool {
	return last >= endNumberBase-1 && (last+1-endNumberBase)%endNumberSpan == 0
}

// betweenParts is the moment between two parts: a due hold comes first, then the next part, then the end
// of the lot.
func (m *Machine) betweenParts() {
	if m.lot == nil || m.lot.Next() < 0 {
		m.stateComplete()
		return
	}
	if why, due := m.dueHold(); due {
		m.change(Hold, why)
		return
	}
	if why, due := m.dueSuspend(); due {
		m.change(Suspend, why)
		return
	}
	m.beginCycle(m.lot.Next())
}

// beginCycle makes the start of a part durable and sends its first lines.
func (m *Machine) beginCycle(k int) {
	l := m.lot
	plan := l.plans[k]
	seq := m.book.Next.Cycle
	c := &cycle{lot: l, seq: seq, job: k, ordinal: l.Begun + 1, endNumber: endNumber(seq), begun: m.now,
		startTravelMM: m.belt.latest.TravelMM}
	c.firstOfRun, c.beganHot = !m.lot.runStarted, m.lot.nextBeginsHot
	m.lot.runStarted, m.lot.nextBeginsHot = true, false
	m.cycle = c
	m.record(ledger.CycleBegun{Seq: seq, LotID: l.ID, JobIndex: k, Ordinal: c.ordinal,
		EndNumber: c.endNumber, Belt: m.belt.totals()})
	var legs []leg
	if !l.leadInDone[k] {
		legs = append(legs, m.leadInLegs(k)...)
	}
	legs = append(legs, m.heatLegs(plan.Begin)...)
	legs = append(legs, leg{
		doing:   fmt.Sprintf("making part %d", c.ordinal),
		begin:   func() { m.beginBody(plan, c) },
		program: func() Program { return m.bodyProgram(plan, c) },
		end:     func() { m.failIfDisplaced("the part did not end as planned") },
	}, leg{
		doing: fmt.Sprintf("making part %d", c.ordinal),
		wait:  m.stayedHot(plan),
		end:   func() { m.countIfHot(c) },
	})
	legs = append(legs, m.dischargeLegs(plan)...)
	legs = append(legs, leg{end: func() { m.cycleDischarged(c) }})
	m.setLegs(legs)
}

// countIfHot counts a part, unless its nozzle lost its heat for a while: mains power may have failed in
// the meantime, with nothing laid.
func (m *Machine) countIfHot(c *cycle) {
	if c.heatLossC == 0 {
		m.cycleMade(c)
		return
	}
	m.suspectMainsLoss()
	m.belt.known = false
	m.fault(Cause{CauseHeat, fmt.Sprintf("the nozzle was %.0f °C below its target for a while in part %d, which may have gaps from then; the heater, the sensor or a wire is loose",
		c.heatLossC, c.ordinal) + heat.OrNoMains})
}

// stayedHot is the nozzle temperature that a part needs to count as made: as hot as at its beginning,
// or its target at the end. A board powered from USB without mains answers every line as if it were
// carried out, and only the heat shows that nothing moves.
func (m *Machine) stayedHot(plan *job.Plan) *wait {
	return &wait{nozzleFromC: reachedFromC(min(plan.Begin.NozzleTargetC, plan.End.NozzleTargetC)), limit: m.set.ReheatLimit}
}

// beginBody finds a place for a part. The ledger holds the travel of the part alone, and counts the
// way to its place as uncertain from before it is run until the part is made.
func (m *Machine) beginBody(plan *job.Plan, c *cycle) {
	m.laying = true
	if c.clearanceMM = m.clearanceMM(plan, c); c.clearanceMM > 0 {
		m.recordBelt()
	}
}

// bodyProgram brings the machine to where the first part began, and makes the part. Line numbers
// restart, and the last line of the part has the end number.
func (m *Machine) bodyProgram(plan *job.Plan, c *cycle) Program {
	before := append([]string{resetLineNumber}, m.clearanceLines(plan, c)...)
	at := m.position()
	for _, l := range before {
		apply(&at, l)
	}
	before = append(before, gcode.Restore(at, plan.Begin, m.restoreOptions(m.headUp))...)
	m.headUp = false
	return Program{Before: before, Plan: plan, Section: job.Body, EndNumber: c.endNumber, After: []string{"M400", "M114"}}
}

// clearanceMM is how far the belt advances before a part, so that it does not begin where another lies: a
// part of another job begins elsewhere along the belt and reaches back further, and a lead-in may have
// moved the belt.
func (m *Machine) clearanceMM(plan *job.Plan, c *cycle) float64 {
	lack := 0.0
	if b := &m.belt; b.occupied {
		lack = max(0, b.freeFromMM+m.reachMM(plan)-b.latest.AdvanceMM)
	}
	lack += m.wearShiftMM(c, plan, lack)
	// A part on the seam adheres worse and comes out crooked.
	if lack += m.bed.ClearOfSeamMM(m.belt.position(), spanOf(plan), lack); lack <= clearanceToleranceMM {
		return 0
	}
	return lack
}

// clearanceLines bring the belt to where a part begins and set its coordinate to that of the part's
// beginning. Moving it to that coordinate instead would bring the last part back.
func (m *Machine) clearanceLines(plan *job.Plan, c *cycle) []string {
	at, begin, axis := m.position(), plan.Begin.PositionMM[m.set.BeltAxis], m.set.BeltAxis
	advance := m.belt.latest.AdvanceMM + c.clearanceMM
	var lines []string
	if c.clearanceMM > 0 {
		if !m.headUp {
			lines = m.liftLines(at, at.PositionMM[m.set.LiftAxis], m.canExtrude(at))
			m.headUp = true
		}
		lines = append(append(millimetreLines(at), lines...), m.advanceLines(c.clearanceMM, begin)...)
	}
	if len(lines) == 0 && math.Abs(at.PositionMM[axis]-begin) > 1e-9 {
		lines = append(millimetreLines(at), "G92 "+axis.String()+number(begin))
	}
	c.placed, c.originMM = true, m.belt.base.AdvanceMM+advance-m.belt.latest.AdvanceMM
	m.belt.occupied, m.belt.freeFromMM = true, advance-m.reachMM(plan)+plan.PitchMM
	return lines
}

// clearanceToleranceMM exceeds the rounding of a discharge in many pieces.
const clearanceToleranceMM = 0.01

// reachMM is how far towards the drop edge a part reaches from where it begins, including the nozzle's
// low moves beyond it, which its pitch allows for.
func (m *Machine) reachMM(p *job.Plan) float64 {
	along := p.ExtentMM.Axis(m.set.BeltAxis)
	edge := along[0]
	if m.set.Forward < 0 {
		edge = along[1]
	}
	low := max(0, p.PitchMM-(along[1]-along[0])-m.set.GapMM)
	return m.set.Forward*(p.Begin.PositionMM[m.set.BeltAxis]-edge) + low
}

// cycleMade records a part of which the board has confirmed that all moves have ended, with the heat
// on.
func (m *Machine) cycleMade(c *cycle) {
	c.made = true
	m.recordLaid(c)
	m.record(ledger.CycleMade{Seq: c.seq, Belt: m.belt.totals(),
		FilamentMM:  m.belt.latest.FilamentMM - m.lot.filamentMM, // a lead-in counts with the part after it
		MachineTime: m.now.Sub(c.begun), Evidence: ledger.EvidenceConfirmed})
	m.lot.filamentMM = m.belt.latest.FilamentMM
}

// cycleDischarged ends a cycle: the part is clear of the head, and the belt is clear.
func (m *Machine) cycleDischarged(c *cycle) {
	m.cycle, m.laying = nil, false
	m.belt.known = true
	m.learnCycle(c)
	m.record(ledger.CycleDischarged{Seq: c.seq, Belt: m.belt.totals()})
}

// startLegs are the work of Starting: the lead-in of the first job. The lead-in of a further job comes
// before its own first part.
func (m *Machine) startLegs() []leg {
	m.lot.leadInDone, m.lot.runStarted, m.laying = map[int]bool{}, false, false
	m.belt.heatedMM = m.belt.latest.TravelMM
	return m.leadInLegs(m.lot.Next())
}

// leadInLegs do once what a job does before its first part. The bed is already hot by then: not every
// board could be stopped in a job's own wait for it.
func (m *Machine) leadInLegs(k int) []leg {
	plan := m.lot.plans[k]
	var legs []leg
	if bed := plan.Begin.BedTargetC; bed > 0 {
		legs = m.heating("heating the bed", []string{"M140 S" + number(bed)}, wait{bedFromC: reachedFromC(bed)})
	}
	return append(legs, leg{
		doing: "lead-in of " + m.lot.Jobs[k].Name,
		begin: func() {
			m.guard.MarkMaybeOn()
			m.headUp, m.laying = false, true
		},
		program: func() Program {
			return Program{Before: m.undoLines(m.position(), m.openingLines()), Plan: plan, Section: job.LeadIn, After: []string{"M400", "M114"}}
		},
		end: func() { m.leadInEnded(k) },
	})
}

// leadInEnded continues with the part if the machine is where its lead-in ends. A board may report a
// coordinate other than 0 for an axis that was only homed: the machine's maker decides where the end
// stops are.
func (m *Machine) leadInEnded(k int) {
	at := m.position()
	for a := gcode.X; a <= gcode.Z; a++ {
		if at.Homed[a] && at.PositionMM[a] == 0 {
			m.work.position.At[a] = 0
		}
	}
	if !m.failIfDisplaced("the part would begin at the wrong place") {
		m.lot.leadInDone[k] = true
	}
}

// heatLegs bring nozzle and bed to the temperatures at which the part begins. They send nothing if
// both are there already.
func (m *Machine) heatLegs(begin gcode.State) []leg {
	nozzle, bed := begin.NozzleTargetC, begin.BedTargetC
	if nozzle <= 0 && bed <= 0 {
		return nil
	}
	var lines []string
	at := m.position()
	if bed > 0 && at.BedTargetC != bed {
		lines = append(lines, "M140 S"+number(bed))
	}
	if nozzle > 0 && at.NozzleTargetC != nozzle {
		lines = append(lines, "M104 S"+number(nozzle))
	}
	return m.heating("heating", lines, wait{nozzleFromC: reachedFromC(nozzle), nozzleToC: reachedToC(nozzle), bedFromC: reachedFromC(bed)})
}

// heating sends new targets, if there are any, and waits until they are reached.
func (m *Machine) heating(doing string, lines []string, until wait) []leg {
	var legs []leg
	if len(lines) > 0 {
		legs = append(legs, leg{doing: doing, begin: func() { m.guard.MarkMaybeOn() },
			program: func() Program { return Program{Before: append(m.idleLines(m.set.BoardIdle), lines...)} }})
	}
	until.limit = m.set.ReheatLimit
	return append(legs, leg{doing: doing, wait: &until})
}

// heatWindowC is how far below its target a heater counts as having reached it; common practice, no
// source.
const heatWindowC = 2

func reachedFromC(target float64) float64 { return max(0, target-heatWindowC) }

// heatOverC is how far above its target a nozzle may be when a part begins: after a part that ended
// hotter, the next would begin hotter than the first did.
const heatOverC = 5

func reachedToC(target float64) float64 {
	if target <= 0 {
		return 0
	}
	return target + heatOverC
}
