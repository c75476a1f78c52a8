package supervisor

import (
	"math"
)

// mostVisits is how many visits a schedule foresees.
const mostVisits = 12

// closeShare: visits within this share of the way to the nearer one are proposed as
// one, since the check that it asks for begins every interval anew.
const closeShare = 0.15

// schedule foresees the visits for the rest of the lot, the next one first: what the
// rules ask for, each check beginning the intervals anew, and the end of the lot, the last.
func (m *Machine) schedule() []NextVisit {
	due := append(m.visits(), m.shortages()...)
	every := make([]int, len(due)) // parts from one check to the next
	for i := range due {
		every[i] = m.interval(&due[i])
	}
	left, done := m.lot.wanted(), 0
	var list []NextVisit
	for len(list) < mostVisits {
		first := -1
		for i := range due {
			if first < 0 || due[i].Parts < due[first].Parts {
				first = i
			}
		}
		if first < 0 || done+due[first].Parts >= left {
			break
		}
		v := due[first]
		at := v.Parts
		for i := range due {
			near := i == first || float64(due[i].Parts) <= float64(at)*(1+closeShare)+1
			if near && i != first {
				v.Also = append(v.Also, due[i].Reason)
			}
			if near || !supplies[due[i].Reason] {
				due[i].Parts = every[i] // any visit is a check, but fills no spool by itself
			} else {
				due[i].Parts -= at
			}
		}
		done += at
		v.Parts = done
		list = append(list, m.timed(v))
	}
	return append(list, m.timed(NextVisit{Reason: CauseDone, Parts: left, Text: "all parts of the lot are made"}))
}

// supplies are the reasons that only something brought along does away with.
var supplies = map[string]bool{CauseFilament: true, CauseBin: true, CauseUnattended: true, CauseDisk: true}

// interval is how many parts a rule allows from one check to the next.
func (m *Machine) interval(v *NextVisit) int {
	per := m.nextTravelMM()
	parts := math.MaxInt32
	switch v.Reason {
	case CauseFilament:
		if k := m.lot.next(); k >= 0 && m.lot.plans[k] != nil && m.lot.plans[k].FilamentG > 0 && m.set.SpoolG > 0 {
			parts = int(m.set.SpoolG / m.lot.plans[k].FilamentG)
		}
	case CauseBin:
		parts = m.set.BinParts
	case CauseCheckParts:
		parts = m.set.PartEveryParts
	case CauseCheckTravel:
		if per > 0 {
			parts = int(m.set.CheckEveryMM/per + 1e-9)
		}
	case CauseCheckTime:
		if d := m.nextDuration(); d > 0 {
			parts = 1 + int(m.set.CheckEvery/d)
		}
	case CauseOffset:
		// The forecast after the next reading is not known; as far again is a fair guess.
		if f := m.forecast(); per > 0 {
			parts = int(math.Min(math.MaxInt32, math.Max(f.HoldMM, m.set.OffsetLimitMM/2/math.Max(m.set.WorstDrift, 1e-9)*1000)/per))
		}
	}
	return max(1, parts)
}

// timed completes a visit after so many parts by belt, clock and what to bring.
func (m *Machine) timed(v NextVisit) NextVisit {
	v.MM = float64(v.Parts) * m.nextTravelMM()
	v.Early, v.At, v.Late, v.Unseen = m.after(v.Parts)
	for _, reason := range append([]string{v.Reason}, v.Also...) {
		for _, thing := range toBring[reason] {
			if !contains(v.Bring, thing) {
				v.Bring = append(v.Bring, thing)
			}
		}
	}
	return v
}

// toBring is what a visit takes.
var toBring = map[string][]string{
	CauseCheckParts:  {"caliper", "rule for the belt's edge"},
	CauseCheckTravel: {"rule for the belt's edge", "caliper"},
	CauseCheckTime:   {"caliper", "rule for the belt's edge"},
	CauseOffset:      {"rule for the belt's edge", "key for the belt's adjusters"},
	CauseFilament:    {"full spool", "scale"},
	CauseBin:         {"box for the parts"},
	CauseSize:        {"caliper", "key for the belt's tension"},
	CauseDone:        {"box for the parts", "caliper"},
}

func contains(list []string, s string) bool {
	for _, v := range list {
		if v == s {
			return true
		}
	}
	return false
}
