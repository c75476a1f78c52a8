package report

import (
	"path/filepath"

	"beltwarden/supervisor/ledger"
)

// cycleS is how long a part took from its begin until it was moved off, nil where
// that is not known: it is not, or a start of the daemon lies between.
func cycleS(c ledger.Cycle) *float64 {
	if c.Discharged.Seq == 0 || c.Discharged.Boot != c.Begun.Boot {
		return nil
	}
	t := (c.Discharged.SinceStart - c.Begun.SinceStart).Seconds()
	return &t
}

// makingS is how long a part took until the board had made it. A part that was counted
// by its line number after a restart has no time.
func makingS(c ledger.Cycle) *float64 {
	if c.Made.Seq == 0 || c.Evidence != ledger.EvidenceConfirmed {
		return nil
	}
	t := c.MachineTime.Seconds()
	return &t
}

// job gathers what concerns one job.
func (s *source) job(i int) Job {
	j, c := s.lot.Jobs[i], s.counts.ByJob[i]
	w := &JobWorkshop{Path: j.Path, Begun: c.CyclesBegun, Made: c.Made, Scrap: c.CheckedScrap + c.InterruptedScrap,
		Unverified: max(0, c.Confirmed-c.CheckedGood-c.CheckedScrap), Undecided: c.Interrupted,
		PlannedS: j.PlannedRun.Seconds(), FilamentMMOfFile: j.FilamentMMPerCycle, Control: controlFrom(s.visits, i, s.course.Rescaled)}
	var cycle, making, travel []float64
	for _, y := range s.cycles {
		if y.JobIndex != i {
			continue
		}
		if t := cycleS(y); t != nil {
			cycle = append(cycle, *t)
			travel = append(travel, s.course.ByCycle[y.Seq])
		}
		if t := makingS(y); t != nil {
			making = append(making, *t)
		}
		w.FilamentMM += y.FilamentMM
	}
	w.Cycle, w.Making, w.TravelMM = spreadOf(cycle), spreadOf(making), spreadOf(travel)
	for _, a := range s.lot.Alterations {
		switch {
		case a.JobIndex != i:
		case a.Kind == ledger.Withheld:
			w.Withheld++
		default:
			w.Added++
		}
	}
	var ordered *ledger.SizeOrdered
	if o, ok := s.sizes[i]; ok {
		ordered = &o
	}
	return Job{Number: i + 1, Name: j.Name, File: filepath.Base(j.Path), SHA256: j.SHA256, Ordered: j.GoodOrdered,
		Good: c.CheckedGood + c.InterruptedGood, Size: sizeOf(s.visits, i, ordered, w.Control, s.zone), Workshop: w}
}
