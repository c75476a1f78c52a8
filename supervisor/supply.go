package supervisor

import (
	"context"
	"math"
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
