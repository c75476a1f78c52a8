package supervisor

import (
	"fmt"
	"math"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/ledger"
)

// trialLegs run the belt if a trial waits for that. Each piece ends before the next is
// sent, so that after a stop no more than one runs out.
func (m *Machine) trialLegs() []leg {
	t := m.trials.open()
	if !m.trials.wanted || t == nil {
		return nil
	}
	legs := []leg{{end: func() {
		if m.strange != "" {
			m.trialBroken(m.strange)
			m.work.legs = nil
		}
	}}, {
		doing:   trialDoing,
		begin:   func() { m.timers.set(timerSave, m.now.Add(m.set.ProgressEvery)) },
		program: func() Program { return Program{Before: []string{countAnew}} },
	}}
	legs = append(legs, m.advanceLegsAt(m.trialFeed, min(m.set.TravelLimitMM, trialPieceMM), trialDoing, t.RunMM,
		func(at gcode.State) float64 { return at.PositionMM[m.set.BeltAxis] }, "the belt has not run the whole distance", func() {})...)
	return append(legs, leg{end: m.trialRan})
}

// trialDoing is shown while the belt runs.
const trialDoing = "running the belt for the trial; keep hands clear"

// trialRan notes that the belt stands again.
func (m *Machine) trialRan() {
	m.trials.wanted = false
	m.timers.stop(timerSave)
	t := m.trials.open()
	if t == nil {
		return
	}
	if ran := m.belt.base.TravelMM - t.TravelMM; math.Abs(ran-t.RunMM) > 1 {
		m.trials.wanted = true
		m.trialBroken(fmt.Sprintf("the belt has run %.2f m of %.2f", ran/1000, t.RunMM/1000))
		return
	}
	t.Ran, t.RanTravelMM, t.RanAdvanceMM = true, m.belt.base.TravelMM, m.belt.base.AdvanceMM
	m.record(ledger.TrialRan{ID: t.ID, TravelMM: t.RanTravelMM, AdvanceMM: t.RanAdvanceMM}, ledger.BeltMoved{Belt: m.belt.now()})
	m.note("trial", fmt.Sprintf("trial %d: the belt has stopped; read the offset", t.ID))
}

// trialBroken ends a trial whose run something else has overtaken.
func (m *Machine) trialBroken(why string) {
	t := m.trials.open()
	if !m.trials.wanted || t == nil {
		return
	}
	m.trials.wanted = false
	m.timers.stop(timerSave)
	m.endOfTrial(t, "interrupted: "+why, nil)
	m.record(ledger.BeltMoved{Belt: m.belt.underWay()})
}

func (m *Machine) endOfTrial(t *ledger.Trial, how string, afterMM *float64) {
	t.Ended, t.How, t.AfterMM = true, how, afterMM
	m.record(ledger.TrialEnded{ID: t.ID, How: how, AfterMM: afterMM})
	m.note("trial", fmt.Sprintf("trial %d: %s", t.ID, how))
}

// settleTrial ends a trial in whose middle the last process ended.
func (m *Machine) settleTrial() {
	if t := m.trials.open(); m.trials.lost && t != nil {
		m.endOfTrial(t, "interrupted: the daemon ended during it", nil)
		m.record(ledger.BeltMoved{Belt: m.belt.now()}) // what a second restart must not reckon again
	}
	m.trials.lost = false
}
