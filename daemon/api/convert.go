package api

import (
	"beltwarden/daemon/client"
	"beltwarden/supervisor/ledger"
)

// The types of the JSON interface are not those of the ledger, so that a change of one does not
// change the other by accident.

func stamp(s ledger.Stamp) client.Stamp {
	return client.Stamp{Seq: s.Seq, Boot: s.Boot, At: s.At, SinceStartS: s.SinceStart.Seconds()}
}

// stampOrNil converts the stamp of a step; nil for one that was not taken.
func stampOrNil(s ledger.Stamp) *client.Stamp {
	if s.Seq == 0 {
		return nil
	}
	v := stamp(s)
	return &v
}

func summary(l ledger.Lot, c ledger.Counts) client.LotSummary {
	s := client.LotSummary{ID: l.ID, Name: l.Name, Status: l.Status, Reason: l.Reason, Order: l.Order,
		Ordered: c.Ordered, CyclesBegun: c.CyclesBegun, Made: c.Made, Good: c.Good, Scrap: c.Scrap,
		Unverified: c.Unverified, Interrupted: c.Interrupted, Opened: stamp(l.Opened), Changed: stamp(l.Changed),
		Jobs: make([]client.JobTally, 0, len(l.Jobs))}
	if l.Particulars != (ledger.Particulars{}) {
		s.Particulars = &l.Particulars
	}
	byIndex := map[int]ledger.JobCounts{}
	for _, j := range c.ByJob {
		byIndex[j.Index] = j
	}
	for _, j := range l.Jobs {
		n := byIndex[j.Index]
		s.Jobs = append(s.Jobs, client.JobTally{Index: j.Index, Name: j.Name, Path: j.Path, SHA256: j.SHA256,
			Ordered: j.GoodOrdered, CyclesBegun: n.CyclesBegun, Made: n.Made,
			Good: n.CheckedGood + n.InterruptedGood, Scrap: n.CheckedScrap + n.InterruptedScrap,
			Interrupted: n.Interrupted, FilamentMMPerCycle: j.FilamentMMPerCycle,
			BeltTravelMMPerCycle: j.BeltTravelMMPerCycle, PitchMM: j.PitchMM})
	}
	return s
}

func cycle(c ledger.Cycle) client.Cycle {
	v := client.Cycle{Seq: c.Seq, JobIndex: c.JobIndex, Ordinal: c.Ordinal, State: c.State, FilamentMM: c.FilamentMM,
		MachineTimeS: c.MachineTime.Seconds(), Evidence: c.Evidence, Reason: c.Reason, Check: c.CheckID, Note: c.Note,
		BegunAtMM: c.BegunBelt.TravelMM, Begun: stamp(c.Begun), Made: stampOrNil(c.Made),
		Discharged: stampOrNil(c.Discharged), Interrupted: stampOrNil(c.Interrupted), Decided: stampOrNil(c.Decided)}
	if c.State == ledger.CycleStateDecided {
		good := c.Good
		v.Good = &good
	}
	return v
}

func hold(h ledger.Hold) client.Hold {
	return client.Hold{ID: h.ID, State: h.State, Reason: h.Reason, Text: h.Text, AtPart: h.AtPart, TravelMM: h.TravelMM,
		Begun: stamp(h.Begun), Ended: stampOrNil(h.Ended), How: h.How, By: h.By, Override: h.Override}
}

func check(c ledger.Check) client.Check {
	var detached []float64
	for _, d := range c.DetachedAfter {
		detached = append(detached, d.Minutes())
	}
	return client.Check{DetachedMin: detached, SetAside: c.SetAside, LengthsAccepted: c.LengthsAccepted, ID: c.ID, At: c.At, JobIndex: c.JobIndex, OffsetMM: c.OffsetMM, LengthsMM: c.LengthsMM,
		Good: c.Good, Scrap: c.Scrap, Realigned: c.Realigned, BeltCleared: c.BeltCleared, SpoolG: c.SpoolG,
		BinEmptied: c.BinEmptied, Note: c.Note, By: c.By, TravelMM: c.TravelMM, AdvanceMM: c.AdvanceMM,
		CyclesMade: c.CyclesMade, Corrects: c.Corrects, CorrectedBy: c.CorrectedBy, Stamp: stamp(c.Stamp)}
}
