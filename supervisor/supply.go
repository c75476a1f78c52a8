package supervisor

import (
	"context"
	"fmt"
	"math"
	"time"
)

// supply is what comes from outside the machine: filament on the spool, room in the bin.
type supply struct {
	weighed bool    // a check has told the mass of the spool
	spoolG  float64 // filament on it when it was weighed, tare taken off
	usedMM  float64 // taken from it by earlier processes since
	fromMM  float64 // running total of this process when it was weighed, mm
	emptied bool    // a check has said that the bin is empty
	binned  int     // parts made since
}

// Span is a part of the day, in local time, as minutes from midnight. It may pass
// midnight; From equal to To is all day.
type Span struct{ FromMin, ToMin int }

// loadSupply takes up spool and bin.
func (m *Machine) loadSupply(ctx context.Context, l Ledger) error {
	s, err := l.Supply(ctx)
	if err != nil {
		return err
	}
	if s.SpoolG != nil {
		m.supply.weighed, m.supply.spoolG, m.supply.usedMM = true, *s.SpoolG-m.set.SpoolTareG, s.FilamentMM
	}
	m.supply.emptied, m.supply.binned = s.BinEmptied, s.BinParts
	return nil
}

// supplied takes in what a check says of spool and bin.
func (m *Machine) supplied(v *Visit) {
	s := &m.supply
	if v.SpoolG != nil {
		s.weighed, s.spoolG, s.usedMM, s.fromMM = true, *v.SpoolG-m.set.SpoolTareG, 0, m.belt.latest.FilamentMM
	}
	if v.BinEmptied {
		s.emptied, s.binned = true, 0
	}
}

// gramsPerMM is the mass of a millimetre of filament, by the job at hand.
func (m *Machine) gramsPerMM() float64 {
	if m.lot == nil {
		return 0
	}
	for _, p := range m.lot.plans {
		if p != nil && p.FilamentMM > 0 {
			return p.FilamentG / p.FilamentMM
		}
	}
	return 0
}

// spoolLeftG is the filament left, by what lines have taken since it was weighed. It is
// false when it was not weighed.
func (m *Machine) spoolLeftG() (float64, bool) {
	s := &m.supply
	if !s.weighed {
		return 0, false
	}
	used := s.usedMM + math.Max(0, m.belt.latest.FilamentMM-s.fromMM)
	return s.spoolG - used*m.gramsPerMM(), true
}

// shortages returns what will keep the machine from going on though nothing is wrong with
// it, each with the number of parts that may begin before.
func (m *Machine) shortages() []NextVisit {
	if m.lot == nil {
		return nil
	}
	var list []NextVisit
	k := m.lot.next()
	if left, ok := m.spoolLeftG(); ok && k >= 0 && m.lot.plans[k] != nil {
		per := m.lot.plans[k].FilamentG + m.set.PrimeMM*m.gramsPerMM()
		if m.cycle != nil && !m.cycle.made {
			left -= per // more than the part in progress may still take
		}
		if per > 0 {
			parts := max(0, int(left/per))
			if m.cycle != nil && !m.cycle.made {
				parts++
			}
			list = append(list, NextVisit{Reason: CauseFilament, Parts: parts,
				Text: fmt.Sprintf("the spool has %.0f g left by what was used since it was weighed, and a part takes %.1f g", math.Max(0, left), per)})
		}
	}
	if room := m.set.BinParts; room > 0 && m.supply.emptied {
		list = append(list, NextVisit{Reason: CauseBin, Parts: max(0, room-m.supply.binned),
			Text: fmt.Sprintf("the bin has taken %s since it was emptied, and holds %d", plural(m.supply.binned, "part", "parts"), room)})
	}
	if v, ok := m.unattended(); ok {
		list = append(list, v)
	}
	if m.room.low {
		list = append(list, NextVisit{Reason: CauseDisk, Text: m.roomText()})
	}
	return list
}

// unattended is when a part would end outside the attended hours.
func (m *Machine) unattended() (NextVisit, bool) {
	h := m.set.Attended
	if h.FromMin == h.ToMin {
		return NextVisit{}, false
	}
	d := m.nextDuration()
	if d <= 0 {
		return NextVisit{}, false
	}
	left := h.left(m.now)
	if m.clockUnset() {
		left = 0
	}
	v := NextVisit{Reason: CauseUnattended, Text: fmt.Sprintf("a part takes %s and would end outside the attended hours, %s", d.Round(time.Minute), h)}
	if c := m.cycle; c != nil && !c.fromLedger && !c.made {
		v.Parts++
		left -= max(0, d-m.now.Sub(c.begun))
	}
	if left > 0 {
		v.Parts += int(left / d)
	}
	if m.clockUnset() {
		v.Text = fmt.Sprintf("nobody can tell whether these are the attended hours, %s: %s", h, m.clockDoubt())
	}
	return v, true
}

// left is how long the span still lasts at t; 0 outside it.
func (h Span) left(t time.Time) time.Duration {
	local := t.Local()
	now := time.Duration(local.Hour())*time.Hour + time.Duration(local.Minute())*time.Minute + time.Duration(local.Second())*time.Second
	const day = 24 * time.Hour
	into := (now - time.Duration(h.FromMin)*time.Minute + day) % day
	long := (time.Duration(h.ToMin-h.FromMin)*time.Minute + day) % day
	return max(0, long-into)
}

// String writes the span as clock times.
func (h Span) String() string {
	return fmt.Sprintf("%02d:%02d to %02d:%02d", h.FromMin/60, h.FromMin%60, h.ToMin/60, h.ToMin%60)
}

// dueSuspend says whether the machine must wait for something from outside, and why.
func (m *Machine) dueSuspend() (Cause, bool) {
	if m.lot != nil && m.lot.begun < m.supplyGoOn {
		return Cause{}, false // the operator lets this many begin, with a reason given
	}
	for _, v := range m.shortages() {
		if v.Parts <= 0 {
			return Cause{v.Reason, v.Text}, true
		}
	}
	return Cause{}, false
}

// supplyView is the supply for the snapshot.
func (m *Machine) supplyView() SupplyView {
	v := SupplyView{BinHolds: m.set.BinParts}
	if r := m.room; r.told {
		v.DiskFreeBytes, v.DiskLow = &r.free, r.low
	}
	if left, ok := m.spoolLeftG(); ok {
		v.SpoolLeftG = &left
	}
	if m.lot != nil {
		if k := m.lot.next(); k >= 0 && m.lot.plans[k] != nil {
			v.PartG = m.lot.plans[k].FilamentG
		}
	}
	if m.supply.emptied {
		n := m.supply.binned
		v.Binned = &n
	}
	return v
}
