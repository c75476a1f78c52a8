package supervisor

import (
	"fmt"
	"math"
)

// needFilament: the spool does not hold another part.
var needFilament = Need{
	Code: CauseFilament, Name: "filament", Headline: "spool runs out", Ends: EndsBySupply,
	Do: "Change the spool and weigh the new one.", Bring: []string{"full spool", "scale"},
	Remedy: "fit a full spool and record its mass", Command: "beltwarden check --spool-g G",
	due: func(m *Machine) (int, string, bool) {
		left, weighed := m.spoolLeftG()
		k := m.lot.Next()
		if !weighed || k < 0 || m.lot.plans[k] == nil {
			return 0, "", false
		}
		per, making := m.lot.plans[k].FilamentG+m.set.PrimeMM*m.gramsPerMM(), m.cycle != nil && !m.cycle.made
		if per <= 0 {
			return 0, "", false
		}
		if making {
			left -= per // more than the part in progress may still use
		}
		parts := max(0, int(left/per))
		if making {
			parts++
		}
		return parts, fmt.Sprintf("the spool has %.0f g left, as calculated since it was weighed; a part takes %.1f g", math.Max(0, left), per), true
	},
	every: func(m *Machine) int {
		if k := m.lot.Next(); k >= 0 && m.lot.plans[k] != nil && m.lot.plans[k].FilamentG > 0 && m.set.SpoolG > 0 {
			return int(m.set.SpoolG / m.lot.plans[k].FilamentG)
		}
		return math.MaxInt32
	},
}

// needBin: the bin holds no more parts.
var needBin = Need{
	Code: CauseBin, Name: "bin", Headline: "bin full", Ends: EndsBySupply,
	Do: "Empty the bin and count the parts.", Bring: []string{"box for the parts"},
	Remedy: "empty the bin and record it", Command: "beltwarden check --bin-emptied",
	due: func(m *Machine) (int, string, bool) {
		room := m.set.BinParts
		in, emptied := m.book.Binned()
		return max(0, room-in), fmt.Sprintf("the bin has taken %s since it was emptied; it holds %d", plural(in, "part", "parts"), room), room > 0 && emptied
	},
	every: func(m *Machine) int { return m.set.BinParts },
}

// needDisk: there is no room for the records of another part.
var needDisk = Need{
	Code: CauseDisk, Name: "disk", Headline: "disk nearly full", Ends: EndsUnrecorded,
	Do:     "Make room on the ledger's disk: remove jobs that you no longer need, or other files.",
	Remedy: remedySpace,
	due:    func(m *Machine) (int, string, bool) { return 0, m.spaceText(), m.disk.low },
}

// gramsPerMM is the mass of a millimetre of filament, for the job in progress.
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

// spoolLeftG is the filament left, after what cycles have used since it was weighed and the cycle in
// progress so far. It is false if the spool was not weighed.
func (m *Machine) spoolLeftG() (float64, bool) {
	g, takenMM, weighed := m.book.SpoolG()
	switch c := m.cycle; {
	case c != nil && c.fromLedger && !c.made:
		takenMM += c.filamentMM
	case m.lot != nil:
		takenMM += math.Max(0, m.belt.latest.FilamentMM-max(m.lot.filamentMM, m.weighedMM))
	}
	return g - takenMM*m.gramsPerMM(), weighed
}

// supplyView returns the supply for the snapshot.
func (m *Machine) supplyView() SupplyView {
	v := SupplyView{BinHolds: m.set.BinParts}
	if r := m.disk; r.known {
		v.DiskFreeBytes, v.DiskLow = &r.free, r.low
	}
	if left, ok := m.spoolLeftG(); ok {
		v.SpoolLeftG = &left
	}
	if m.lot != nil {
		if k := m.lot.Next(); k >= 0 && m.lot.plans[k] != nil {
			v.PartG = m.lot.plans[k].FilamentG
		}
	}
	if n, emptied := m.book.Binned(); emptied {
		v.Binned = &n
	}
	return v
}
