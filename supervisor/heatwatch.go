package supervisor

import (
	"fmt"
	"math"
	"slices"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/heat"
)

// heatWatch holds what the board reports of its heaters against what they were asked.
type heatWatch struct {
	*heat.Guard
	nozzleTarget, bedTarget asked
	lost                    [2]lostReading // of nozzle and bed
	proofBegan              time.Time      // that the heaters are off
}

// lostReading follows a heater that may be on and of which the board tells nothing.
type lostReading struct {
	other int       // reports in a row that told the other one alone
	since time.Time // when the first of them came
}

// How long the board may leave one heater out of what it tells. Every board tells the nozzle
// in every report. Some leave the bed out while they wait for the nozzle, and answer nothing
// meanwhile (common practice, no source).
const (
	leftOutReports = 5
	leftOutFor     = 10 * time.Second
	bedLeftOutFor  = 5 * time.Minute
)

// asked follows what one heater was asked for, and what the board says that it was. A
// line handed out reaches the heater only once the moves before it are under way, so that
// what was asked a while ago may still stand.
type asked struct {
	nowC    float64
	since   time.Time // when that was asked
	beforeC []oldTarget
	other   time.Time // since when the board tells another one; zero: it does not
	otherC  float64
	told    bool
	zero    bool // the board has told it to be off since it was switched off from here
}

type oldTarget struct {
	c     float64
	until time.Time
}

// How long what was asked before may still stand while lines are under way, and how long
// the board may tell another target before it is taken for somebody's wish: at rest a
// word takes a moment to get there.
const (
	oldTargetFor   = 10 * time.Minute
	otherTargetFor = 10 * time.Second
	sameTargetC    = 1.5
)

// newHeatWatch returns a watch that has seen nothing.
func newHeatWatch(s *Settings) heatWatch {
	return heatWatch{Guard: heat.NewGuard(s.NozzleWatch, s.BedWatch)}
}

// forget begins anew with a board of which nothing is known.
func (w *heatWatch) forget() {
	w.Forget()
	w.nozzleTarget, w.bedTarget = asked{}, asked{}
}

// targetsAsked notes that other targets are on their way: what is read next must not be
// held against the former ones.
func (m *Machine) targetsAsked(now gcode.State) {
	nozzle := m.guard.Command(heat.Nozzle, now.NozzleTargetC)
	bed := m.guard.Command(heat.Bed, now.BedTargetC)
	if (nozzle || bed) && m.state != Aborting && m.state != Aborted {
		m.dropProof() // of a time before
	}
}

// watchHeat judges a report. A fault switches the heaters off; what is only unlike
// before is told.
func (m *Machine) watchHeat(t serialio.Temps) {
	w, at := &m.guard, m.now.Sub(m.warmth.origin)
	m.toldHeaters(t)
	position := m.position()
	var nozzle, bed []heat.Finding
	if t.HasNozzle || t.NozzleUnread {
		beside := 0.0
		if t.HasBed {
			beside = t.BedC
		}
		model := m.warmth.nozzle.Model()
		r := heated(at, t.NozzleC, t.HasNozzle, position.NozzleTargetC, t.HasNozzleTarget, t.NozzleTargetC)
		r.Duty, r.HasDuty = t.NozzleDuty, t.HasNozzleDuty
		nozzle = w.Observe(heat.Nozzle, r, beside, &model)
		m.withdraw(heat.Nozzle, r)
	}
	if t.HasBed || t.BedUnread {
		model := m.warmth.bed.Model()
		r := heated(at, t.BedC, t.HasBed, position.BedTargetC, t.HasBedTarget, t.BedTargetC)
		r.Duty, r.HasDuty = t.BedDuty, t.HasBedDuty
		bed = w.Observe(heat.Bed, r, 0, &model)
		m.withdraw(heat.Bed, r)
	}
	for _, f := range append(m.swapped(nozzle, heat.Bed), m.swapped(bed, heat.Nozzle)...) {
		m.heatFound(f)
	}
	if t.HasNozzleTarget {
		m.watchTarget("nozzle", &w.nozzleTarget, position.NozzleTargetC, t.NozzleTargetC, m.set.NozzleWatch.CeilingC)
	}
	if t.HasBedTarget {
		m.watchTarget("bed", &w.bedTarget, position.BedTargetC, t.BedTargetC, m.set.BedWatch.CeilingC)
	}
	m.proved()
}

// heated is what the board says of one heater: a temperature, which is NaN where has is false and
// it told what is none, and a target. One that tells none is taken to have what it was asked for.
func heated(at time.Duration, c float64, has bool, wantC float64, told bool, toldC float64) heat.Reading {
	if !has {
		c = math.NaN()
	}
	if told {
		return heat.Reading{At: at, C: c, TargetC: toldC}
	}
	return heat.Reading{At: at, C: c, TargetC: wantC, Assumed: true}
}

// swapped says of a heater that does not warm up when the other does in its stead, and of one that warms up in
// the other's.
func (m *Machine) swapped(found []heat.Finding, other heat.HeaterIndex) []heat.Finding {
	for i, f := range found {
		switch gained := m.guard.Gained(other); {
		case f.Kind == heat.Slow && f.Fault && gained >= 8:
			found[i].Text += fmt.Sprintf("; meanwhile the %s, which is not being heated, has gained %.0f degrees: are the two heaters or sensors swapped?", other, gained)
		case f.Kind == heat.Over && f.Fault && m.guard.Stays(other):
			found[i].Text += fmt.Sprintf("; meanwhile the %s, which is being heated, has not gained: are the two heaters or sensors swapped?", other)
		}
	}
	return found
}

// mayHeat reports whether a heater is on as far as is known.
func (m *Machine) mayHeat() bool {
	at := m.position()
	return m.guard.MayBeOn() || at.NozzleTargetC > 0 || at.BedTargetC > 0
}

// heatFound acts on a finding. In an abort the heaters are off already, and what still
// gets hot is beyond what can be done from here.
func (m *Machine) heatFound(f heat.Finding) {
	if f.Fault && f.Kind.Lacks() {
		m.unheated()
	}
	switch {
	case !f.Fault:
		m.note("heat", f.Text)
		m.alert(CauseHeatOdd, f.Text)
	case m.state == Aborting || m.state == Aborted:
		text := f.Text + "; the heaters had been switched off: switch the machine off at the mains"
		m.note("fault", text)
		m.alert(CauseHeat, text)
		m.latchHeat(f.Text)
	default:
		m.fault(Cause{CauseHeat, f.Text})
	}
}

// unheated is a heater that lacks heat. A machine that has lost its mains lacks it too, and its board may
// go on by the computer's current and say of every line that it was carried out: where nothing shows
// that the mains are on, the belt may not have moved since heat was last there.
func (m *Machine) unheated() {
	b := &m.belt
	at := m.position()
	powered := at.NozzleTargetC > 0 && m.heat.nozzleTold() && m.heat.nozzleC >= short(at.NozzleTargetC) && m.heat.nozzleC <= over(at.NozzleTargetC)
	if moved := b.latest.TravelMM - b.heatedMM; moved > 0 && !powered {
		b.known = false
		b.uncertainMM += moved
		b.heatedMM, b.madeMM = b.latest.TravelMM, b.latest.TravelMM
	}
}

// watchTarget compares what the board says that a heater is asked for with what it was
// asked for from here.
func (m *Machine) watchTarget(name string, a *asked, wantC, toldC, ceilingC float64) {
	if wantC != a.nowC || a.since.IsZero() {
		if !a.since.IsZero() {
			a.beforeC = append(slices.DeleteFunc(a.beforeC, func(o oldTarget) bool { return m.now.After(o.until) }),
				oldTarget{a.nowC, m.now.Add(oldTargetFor)})
		}
		a.nowC, a.since, a.zero = wantC, m.now, false
	}
	a.zero = a.zero || toldC == 0
	same := math.Abs(toldC-wantC) <= sameTargetC
	if !same && m.work.running != 0 {
		same = slices.ContainsFunc(a.beforeC, func(o oldTarget) bool { return math.Abs(toldC-o.c) <= sameTargetC && m.now.Before(o.until) })
	}
	if same {
		a.other, a.told = time.Time{}, false
		return
	}
	if a.other.IsZero() || math.Abs(toldC-a.otherC) > sameTargetC {
		a.other, a.otherC, a.told = m.now, toldC, false
		return
	}
	if m.now.Sub(a.other) < otherTargetFor || m.now.Sub(a.since) < otherTargetFor {
		return
	}
	m.otherTarget(name, a, wantC, toldC, ceilingC)
}

// otherTarget acts on a target that somebody else has set: at the machine's own panel,
// by another program, or the board by a time limit of its own.
func (m *Machine) otherTarget(name string, a *asked, wantC, toldC, ceilingC float64) {
	text := fmt.Sprintf("the board's %s target is %.0f °C, but beltwarden set %.0f: something else has changed it", name, toldC, wantC)
	if toldC == 0 {
		text = fmt.Sprintf("the board's %s was set to %.0f °C and is off: something else switched it off, or a time limit of the board", name, wantC)
	}
	if wantC == 0 && !a.zero {
		text = fmt.Sprintf("beltwarden switched the board's %s off, but the board keeps its target of %.0f °C", name, toldC)
	}
	rests := false // a person at rest may well warm the nozzle at the panel, to change the filament
	switch m.state {
	case Idle, Stopped, Complete, Held, Suspended:
		rests = true
	case Aborted, Aborting:
		rests = toldC > 0
	case Resetting, Clearing, Starting, Execute, Completing, Holding, Unholding, Suspending, Unsuspending, Stopping:
	}
	switch {
	case ceilingC > 0 && toldC > ceilingC:
		m.heatFound(heat.Finding{Kind: heat.Ceiling, Fault: true, Text: text})
	case rests && toldC > 0 && m.now.Sub(a.other) >= m.set.HeatersOffAfter:
		m.heatersOff()
		m.note("heat", fmt.Sprintf("%s; after %s it was switched off", text, m.set.HeatersOffAfter))
		a.other, a.told = time.Time{}, false
	case a.told:
	case wantC == 0 && !a.zero:
		m.guard.MayHeat()
		m.heatFound(heat.Finding{Kind: heat.Over, Fault: true, Text: text})
	case rests && toldC > 0:
		m.guard.MayHeat()
		m.note("heat", fmt.Sprintf("%s; it is switched off in %s", text, m.set.HeatersOffAfter))
	case rests || math.Abs(toldC-wantC) <= m.set.TargetSlackC && toldC > 0:
		m.note("heat", text)
	default:
		m.heatFound(heat.Finding{Kind: heat.Over, Fault: true, Text: text})
	}
	a.told = true
}

// expectReadings sees to it that what is to be told of heaters that may be on is missed. A
// bed that was neither told nor asked for may not be there.
func (m *Machine) expectReadings() {
	at, w := m.position(), &m.guard
	expect := func(i heat.HeaterIndex, may bool) {
		switch {
		case !may:
			m.forgetLost(i)
		case !m.timers.armed(lostTimer(i)):
			m.timers.set(lostTimer(i), m.now.Add(m.set.ReadingLost))
		}
	}
	expect(heat.Nozzle, m.mayHeat())
	expect(heat.Bed, at.BedTargetC > 0 || m.heat.hasBed && w.MayBeOn())
}

// lostTimer is the timer of a heater that is left out.
func lostTimer(i heat.HeaterIndex) timer { return timerNozzleLost + timer(i) }

// forgetLost begins anew to wait for what is told of a heater.
func (m *Machine) forgetLost(i heat.HeaterIndex) {
	m.guard.lost[i] = lostReading{}
	m.timers.stop(lostTimer(i))
}

// toldHeaters follows which heaters a report tells, and which it leaves out.
func (m *Machine) toldHeaters(t serialio.Temps) {
	if t.HasNozzle {
		m.forgetLost(heat.Nozzle)
	}
	if t.HasBed {
		m.forgetLost(heat.Bed)
	}
	m.expectReadings()
	if l := &m.guard.lost[heat.Nozzle]; t.HasBed && !t.HasNozzle && m.timers.armed(timerNozzleLost) {
		if l.other == 0 {
			l.since = m.now
		}
		if l.other++; l.other >= leftOutReports && m.now.Sub(l.since) >= leftOutFor {
			m.readingLostFor(heat.Nozzle, m.now.Sub(l.since))
		}
	}
	if l := &m.guard.lost[heat.Bed]; t.HasNozzle && !t.HasBed && m.timers.armed(timerBedLost) && l.other == 0 {
		l.other = 1
		m.timers.set(timerBedLost, m.now.Add(max(bedLeftOutFor, m.set.ReadingLost)))
	}
}

// readingLost finds a board that has told nothing of a heater until its timer was due.
func (m *Machine) readingLost(n timer) {
	i, d := heat.HeaterIndex(n-timerNozzleLost), m.set.ReadingLost
	if i == heat.Bed && m.guard.lost[i].other > 0 {
		d = max(bedLeftOutFor, d)
	}
	m.readingLostFor(i, d)
}

// readingLostFor is a heater of which the board has told nothing for too long.
func (m *Machine) readingLostFor(i heat.HeaterIndex, d time.Duration) {
	m.forgetLost(i)
	if m.link.phase != linkUp {
		return
	}
	text := fmt.Sprintf("the board has reported no temperature of the %s for %s while a heater may be on", i, d.Round(time.Second))
	m.guard.Accuse(i, text)
	m.heatFound(heat.Finding{Kind: heat.Still, Fault: true, Text: text})
}
