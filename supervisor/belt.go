package supervisor

import (
	"time"

	"beltwarden/supervisor/bed"
	"beltwarden/supervisor/ledger"
)

// beltCount keeps the belt's running totals: the ledger's at the start of the process plus what the
// board has accepted since. Commanded millimetres.
type beltCount struct {
	base   ledger.Belt // totals when latest was seen
	latest Progress
	madeMM float64 // travel of latest at which the board last showed that all moves had ended
	// heatedMM is the travel of latest up to which a heater was at its target, so that mains power was
	// on, or which does not belong to this run.
	heatedMM float64
	known    bool // nothing lies under the head and the position is certain

	// freeFromMM is the advance, on the scale of latest, from which the belt is free of the parts of
	// this process; without any, occupied is false.
	freeFromMM float64
	occupied   bool

	uncertainMM float64
	saved       ledger.Belt // as written at the last save
	savedAt     time.Time   // time of that save
}

// idleSaveEvery: while the belt stands still, as when a part cools, only one in this many saves is
// written. It only confirms that nothing has changed, and each write wears the card.
const idleSaveEvery = 10

// saveBeltPeriodically records how far the belt has run, at intervals.
func (m *Machine) saveBeltPeriodically() {
	b := &m.belt
	m.timers.set(timerSave, m.now.Add(m.set.ProgressEvery))
	if now := m.beltTotals(); now != b.saved || m.now.Sub(b.savedAt) >= idleSaveEvery*m.set.ProgressEvery {
		m.recordBelt()
	}
}

// recordBelt records it now.
func (m *Machine) recordBelt() {
	m.belt.saved, m.belt.savedAt = m.beltTotals(), m.now
	m.record(ledger.BeltMoved{Belt: m.belt.saved})
}

// beltTotals returns the totals for the ledger during a part or between two. For a part left open,
// [Machine.restoreCycle] can only compute the remaining travel of the part itself.
func (m *Machine) beltTotals() ledger.Belt {
	if m.cycle == nil || m.cycle.made {
		return m.belt.totals()
	}
	now := m.belt.totalsInMotion()
	now.UncertainMM += m.cycle.clearanceMM
	return now
}

// recordBeltAtRest records where the belt has come to rest: the process may end before anything else is
// recorded. After an abort the belt may not be at rest.
func (m *Machine) recordBeltAtRest() {
	m.timers.stop(timerSave)
	now := m.belt.totals()
	if m.state == Aborted {
		now = m.belt.totalsInMotion()
	}
	m.record(ledger.BeltMoved{Belt: now})
}

// update advances the totals to what the board has accepted now.
func (b *beltCount) update(p Progress) {
	travel := p.TravelMM - b.latest.TravelMM
	b.base.TravelMM += travel
	b.base.SinceCheckMM += travel
	b.base.SinceRealignMM += travel
	b.base.AdvanceMM += p.AdvanceMM - b.latest.AdvanceMM
	b.latest = p
}

// addUnobserved counts travel that is known to have been run without being observed.
func (b *beltCount) addUnobserved(travelMM, advanceMM float64) {
	b.base.TravelMM += travelMM
	b.base.SinceCheckMM += travelMM
	b.base.SinceRealignMM += travelMM
	b.base.AdvanceMM += advanceMM
}

// markLost adds to the uncertain travel what was handed out and never acknowledged, and the moves that the
// board had accepted and may not have made: it loses them in a restart, which many boards do when
// their port is reopened.
func (b *beltCount) markLost() {
	b.uncertainMM = b.totalsInMotion().UncertainMM
	b.latest.PendingMM, b.latest.PlannedMM = 0, 0
}

// totals returns the totals for the ledger.
func (b *beltCount) totals() ledger.Belt {
	belt := b.base
	belt.Known, belt.UncertainMM = b.known, b.uncertainMM
	return belt
}

// totalsInMotion returns the totals for the ledger while moves may be in progress. The process may end
// before they have, and the next one reopens the port: what [beltCount.markLost] would count as uncertain
// is uncertain then.
func (b *beltCount) totalsInMotion() ledger.Belt {
	belt := b.totals()
	belt.UncertainMM += b.latest.PendingMM + min(b.latest.PlannedMM, b.latest.TravelMM-b.madeMM)
	return belt
}

// resetSince begins a new count since the last check, and since the last realignment if there was one.
func (b *beltCount) resetSince(realigned, cleared bool) {
	b.base.SinceCheckMM = 0
	if realigned {
		b.base.SinceRealignMM = 0
		b.uncertainMM = 0 // the drift history, which it blurred, starts over
	}
	if cleared {
		b.cleared()
	}
}

// cleared notes that nothing lies on the belt near the head.
func (b *beltCount) cleared() { b.known, b.occupied = true, false }

// position is how far the belt has run.
func (b *beltCount) position() bed.Position {
	return bed.Position{TravelMM: b.base.TravelMM, AdvanceMM: b.base.AdvanceMM, UncertainMM: b.uncertainMM}
}

// addUncertainOutsideParts counts as uncertain how far a process that ended in state was may have moved the belt
// outside a part: in a lead-in or lead-out, or running parts over the drop edge. The ledger has only
// the beginning of that state.
func (m *Machine) addUncertainOutsideParts(was State) {
	if m.lot == nil || m.cycle != nil {
		return
	}
	over := m.set.ToDropMM + m.longestPitch()
	switch was {
	case Starting:
		if k := m.lot.Next(); k >= 0 && m.lot.plans[k] != nil {
			m.belt.uncertainMM += m.lot.plans[k].LeadInBeltMM
		}
	case Completing:
		if k := m.lot.Last; k >= 0 && m.lot.plans[k] != nil {
			m.belt.uncertainMM += m.lot.plans[k].LeadOutBeltMM
		}
		if m.set.ClearAtEnd {
			m.belt.uncertainMM += over
		}
	case Stopping:
		m.belt.uncertainMM += over // whether that was requested is not recorded
	}
}
