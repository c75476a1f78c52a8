package supervisor

import (
	"fmt"
	"math"
	"strings"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/heat"
)

// missingReading counts reports without a reading of a heater that may be on.
type missingReading struct {
	other int       // reports in a row with the other heater alone
	since time.Time // when the first of them came
}

// How long the board may leave one heater out of its reports. Every board includes the nozzle in
// every report. Some leave the bed out while they wait for the nozzle, and answer nothing in the
// meantime (common practice, no source).
const (
	missingReports = 5
	missingFor     = 10 * time.Second
	bedMissingFor  = 5 * time.Minute
)

// commandTargets notes the targets of the lines sent, so that the next readings are not judged by
// older ones.
func (m *Machine) commandTargets(now gcode.State) {
	nozzle := m.guard.Command(heat.Nozzle, now.NozzleTargetC)
	bed := m.guard.Command(heat.Bed, now.BedTargetC)
	if (nozzle || bed) && m.state != Aborting && m.state != Aborted {
		m.cancelProof() // it was about the time before
	}
}

// watchHeat judges a temperature report. A fault switches the heaters off; an unusual reading is
// only reported.
func (m *Machine) watchHeat(t serialio.Temps) {
	w, at := m.guard, m.readingTime()
	m.watchReadings(t)
	position := m.position()
	var nozzle, bed []heat.Finding
	if t.HasNozzle || t.NozzleUnread {
		beside := 0.0
		if t.HasBed {
			beside = t.BedC
		}
		model := m.learned.nozzle.Model()
		r := readingOf(at, t.NozzleC, t.HasNozzle, position.NozzleTargetC, t.HasNozzleTarget, t.NozzleTargetC)
		r.Duty, r.HasDuty = t.NozzleDuty, t.HasNozzleDuty
		nozzle = w.Observe(heat.Nozzle, r, beside, &model)
		m.withdrawProof(heat.Nozzle, r)
	}
	if t.HasBed || t.BedUnread {
		model := m.learned.bed.Model()
		r := readingOf(at, t.BedC, t.HasBed, position.BedTargetC, t.HasBedTarget, t.BedTargetC)
		r.Duty, r.HasDuty = t.BedDuty, t.HasBedDuty
		bed = w.Observe(heat.Bed, r, 0, &model)
		m.withdrawProof(heat.Bed, r)
	}
	for _, f := range append(w.Swapped(nozzle, heat.Bed), w.Swapped(bed, heat.Nozzle)...) {
		m.handleFinding(f)
	}
	if t.HasNozzleTarget {
		m.checkTarget(heat.Nozzle, position.NozzleTargetC, t.NozzleTargetC)
	}
	if t.HasBedTarget {
		m.checkTarget(heat.Bed, position.BedTargetC, t.BedTargetC)
	}
	m.checkProof()
}

// readingOf converts a report on one heater. c is NaN if has is false. If the board does not report
// a target, the commanded one is assumed.
func readingOf(at time.Duration, c float64, has bool, wantC float64, told bool, toldC float64) heat.Reading {
	if !has {
		c = math.NaN()
	}
	if told {
		return heat.Reading{At: at, C: c, TargetC: toldC}
	}
	return heat.Reading{At: at, C: c, TargetC: wantC, Assumed: true}
}

// maybeHeating reports whether a heater may be on.
func (m *Machine) maybeHeating() bool {
	at := m.position()
	return m.guard.MayBeOn() || at.NozzleTargetC > 0 || at.BedTargetC > 0
}

// handleFinding acts on a finding. In an abort the heaters are off already, so that one that still
// heats up is beyond our control.
func (m *Machine) handleFinding(f heat.Finding) {
	if f.Fault && f.Kind.LacksHeat() {
		m.suspectMainsLoss()
	}
	switch {
	case !f.Fault:
		m.note("heat", f.Text)
		m.alert(CauseHeatUnusual, f.Text)
	case m.state == Aborting || m.state == Aborted:
		text := f.Text + "; the heaters had been switched off: switch the machine off at the mains"
		m.note("fault", text)
		m.alert(CauseHeat, text)
		m.latchHeatFault(f.Text)
	default:
		m.fault(Cause{CauseHeat, f.Text})
	}
}

// suspectMainsLoss handles a heater that lacks heat. Without mains power the board may keep running
// on the computer's USB power and accept every line. Unless the nozzle is at its target, which
// shows that mains power is on, the belt may not have moved since heat was last confirmed.
func (m *Machine) suspectMainsLoss() {
	b := &m.belt
	at := m.position()
	powered := at.NozzleTargetC > 0 && m.temps.nozzleFresh() && m.temps.nozzleC >= reachedFromC(at.NozzleTargetC) && m.temps.nozzleC <= reachedToC(at.NozzleTargetC)
	if moved := b.latest.TravelMM - b.heatedMM; moved > 0 && !powered {
		b.known = false
		b.uncertainMM += moved
		b.heatedMM, b.madeMM = b.latest.TravelMM, b.latest.TravelMM
	}
}

// checkTarget compares a reported target with the commanded one, and acts on one that somebody else
// has set.
func (m *Machine) checkTarget(i heat.HeaterIndex, wantC, isC float64) {
	o, other := m.guard.CheckTarget(i, m.readingTime(), wantC, isC, m.work.running != 0)
	if !other {
		return
	}
	rests := false // at rest a person may warm the nozzle at the panel, to change the filament
	switch m.state {
	case Idle, Stopped, Complete, Held, Suspended:
		rests = true
	case Aborted, Aborting:
		rests = isC > 0
	case Resetting, Clearing, Starting, Execute, Completing, Holding, Unholding, Suspending, Unsuspending, Stopping:
	}
	switch {
	case o.Above:
		m.handleFinding(heat.Finding{Kind: heat.Ceiling, Fault: true, Text: o.Text})
	case rests && isC > 0 && o.For >= m.set.HeatersOffAfter:
		m.heatersOff()
		m.note("heat", fmt.Sprintf("%s; after %s it was switched off", o.Text, m.set.HeatersOffAfter))
		m.guard.ResetTarget(i)
	case o.Again:
	case o.Kept:
		m.guard.MarkMaybeOn()
		m.handleFinding(heat.Finding{Kind: heat.Over, Fault: true, Text: o.Text})
	case rests && isC > 0:
		m.guard.MarkMaybeOn()
		m.note("heat", fmt.Sprintf("%s; it is switched off in %s", o.Text, m.set.HeatersOffAfter))
	case rests || math.Abs(isC-wantC) <= m.set.TargetSlackC && isC > 0:
		m.note("heat", o.Text)
	default:
		m.handleFinding(heat.Finding{Kind: heat.Over, Fault: true, Text: o.Text})
	}
}

// armReadingTimers arms the timers for readings of heaters that may be on. A bed that was neither
// reported nor commanded may not exist.
func (m *Machine) armReadingTimers() {
	at, w := m.position(), m.guard
	expect := func(i heat.HeaterIndex, may bool) {
		switch {
		case !may:
			m.resetReadingTimer(i)
		case !m.timers.armed(readingTimer(i)):
			m.timers.set(readingTimer(i), m.now.Add(m.set.ReadingTimeout))
		}
	}
	expect(heat.Nozzle, m.maybeHeating())
	expect(heat.Bed, at.BedTargetC > 0 || m.temps.hasBed && w.MayBeOn())
}

// readingTimer returns the timer for missing readings of a heater.
func readingTimer(i heat.HeaterIndex) timer { return timerNozzleLost + timer(i) }

// resetReadingTimer restarts the wait for a reading of a heater.
func (m *Machine) resetReadingTimer(i heat.HeaterIndex) {
	m.missing[i] = missingReading{}
	m.timers.stop(readingTimer(i))
}

// watchReadings notes which heaters a report includes, and which it leaves out.
func (m *Machine) watchReadings(t serialio.Temps) {
	if t.HasNozzle {
		m.resetReadingTimer(heat.Nozzle)
	}
	if t.HasBed {
		m.resetReadingTimer(heat.Bed)
	}
	m.armReadingTimers()
	if l := &m.missing[heat.Nozzle]; t.HasBed && !t.HasNozzle && m.timers.armed(timerNozzleLost) {
		if l.other == 0 {
			l.since = m.now
		}
		if l.other++; l.other >= missingReports && m.now.Sub(l.since) >= missingFor {
			m.reportMissingReading(heat.Nozzle, m.now.Sub(l.since))
		}
	}
	if l := &m.missing[heat.Bed]; t.HasNozzle && !t.HasBed && m.timers.armed(timerBedLost) && l.other == 0 {
		l.other = 1
		m.timers.set(timerBedLost, m.now.Add(max(bedMissingFor, m.set.ReadingTimeout)))
	}
}

// readingTimedOut handles a timer for missing readings.
func (m *Machine) readingTimedOut(n timer) {
	i, d := heat.HeaterIndex(n-timerNozzleLost), m.set.ReadingTimeout
	if i == heat.Bed && m.missing[i].other > 0 {
		d = max(bedMissingFor, d)
	}
	m.reportMissingReading(i, d)
}

// reportMissingReading handles a heater that the board has not reported for d.
func (m *Machine) reportMissingReading(i heat.HeaterIndex, d time.Duration) {
	m.resetReadingTimer(i)
	if m.link.phase != linkUp {
		return
	}
	text := fmt.Sprintf("the board has reported no temperature of the %s for %s while a heater may be on", i, d.Round(time.Second))
	m.guard.Distrust(i, text)
	m.handleFinding(heat.Finding{Kind: heat.Still, Fault: true, Text: text})
}

// foundHotC is hotter than any room, and burns skin (common practice, no source).
const foundHotC = 60

// checkFirstReading judges the first reading of a board while no lot is running. A heater that is
// on was switched on by somebody else, or left on by an earlier process. It is being switched off;
// a proof must show that, and the operator is called.
func (m *Machine) checkFirstReading(t serialio.Temps) {
	if m.state != Resetting && m.state != Stopped || m.link.hasReported || !t.HasNozzle && !t.HasBed {
		return
	}
	m.link.hasReported = true
	var on, warm []string
	look := func(name string, c float64, target float64) {
		switch {
		case target > 0:
			on = append(on, fmt.Sprintf("%s at %.0f °C, target %.0f °C", name, c, target))
		case c >= foundHotC:
			warm = append(warm, fmt.Sprintf("%s at %.0f °C", name, c))
		}
	}
	if t.HasNozzle {
		look("nozzle", t.NozzleC, t.NozzleTargetC)
	}
	if t.HasBed {
		look("bed", t.BedC, t.BedTargetC)
	}
	switch {
	case len(on) > 0:
		text := "the board was found with a heater on and no lot running: " + strings.Join(append(on, warm...), ", ") + "; it is switched off"
		m.note("heat", text)
		m.alert(CauseHeat, text)
		m.beginProof()
	case len(warm) > 0:
		m.note("heat", "the board was found hot: "+strings.Join(warm, ", "))
		m.beginProof()
	}
}
