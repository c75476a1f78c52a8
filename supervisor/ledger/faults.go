package ledger

import (
	"fmt"
	"math"
	"sort"
)

// faultList collects everything that is wrong with a record's values.
type faultList []string

func (f *faultList) add(bad bool, format string, args ...any) {
	if bad {
		*f = append(*f, fmt.Sprintf(format, args...))
	}
}

func (f *faultList) id(name string, id int64) {
	f.add(id <= 0, "%s is %d: it must be above 0", name, id)
}

func (f *faultList) optionalID(name string, id int64) {
	f.add(id < 0, "%s is %d: it must not be negative", name, id)
}

func (f *faultList) finite(name string, v float64) {
	f.add(math.IsNaN(v) || math.IsInf(v, 0), "%s is %v: it must be a number", name, v)
}

func (f *faultList) notNegative(name string, v float64) {
	f.finite(name, v)
	f.add(v < 0, "%s is %v: it must not be negative", name, v)
}

func (f *faultList) count(name string, n int) {
	f.add(n < 0, "%s is %d: it must not be negative", name, n)
}

func (f *faultList) text(name, s string) { f.add(s == "", "%s is empty", name) }

func (f *faultList) oneOf(name, s string, allowed ...string) {
	for _, a := range allowed {
		if s == a {
			return
		}
	}
	f.add(true, "%s is %q: it must be one of %q", name, s, allowed)
}

func (f *faultList) belt(b Belt) {
	f.notNegative("Belt.TravelMM", b.TravelMM)
	f.finite("Belt.AdvanceMM", b.AdvanceMM)
	f.notNegative("Belt.SinceRealignMM", b.SinceRealignMM)
	f.notNegative("Belt.SinceCheckMM", b.SinceCheckMM)
	f.notNegative("Belt.UncertainMM", b.UncertainMM)
}

func (r LotOpened) faults() []string {
	var f faultList
	f.id("ID", r.Lot.ID)
	f.add(r.Lot.Status != "" && r.Lot.Status != LotOpen, "Status is %q: a lot is opened as %q", r.Lot.Status, LotOpen)
	f.oneOf("Order", r.Lot.Order, OrderBlocks, OrderTurn)
	f.add(len(r.Lot.Jobs) == 0, "Jobs is empty: a lot needs a job")
	for i, j := range r.Lot.Jobs {
		at := fmt.Sprintf("Jobs[%d].", i)
		f.add(j.Index != i, "%sIndex is %d: jobs are numbered from 0 in order", at, j.Index)
		f.count(at+"GoodOrdered", j.GoodOrdered)
		f.finite(at+"FilamentMMPerCycle", j.FilamentMMPerCycle)
		f.notNegative(at+"BeltTravelMMPerCycle", j.BeltTravelMMPerCycle)
		f.finite(at+"PitchMM", j.PitchMM)
		f.add(j.PlannedRun < 0, "%sPlannedRun is %v: it must not be negative", at, j.PlannedRun)
	}
	for i, a := range r.Lot.Alterations {
		at := fmt.Sprintf("Alterations[%d].", i)
		f.add(a.JobIndex < 0 || a.JobIndex >= len(r.Lot.Jobs), "%sJobIndex is %d: the lot has no such job", at, a.JobIndex)
		f.oneOf(at+"Kind", a.Kind, Withheld, Added)
		f.count(at+"Line", a.Line)
	}
	return f
}

func (r LotChanged) faults() []string {
	var f faultList
	f.id("LotID", r.LotID)
	f.oneOf("Status", r.Status, LotOpen, LotMade, LotClosed, LotEnded)
	return f
}

func (r CycleBegun) faults() []string {
	var f faultList
	f.id("Seq", r.Seq)
	f.id("LotID", r.LotID)
	f.count("JobIndex", r.JobIndex)
	f.add(r.Ordinal < 1, "Ordinal is %d: cycles of a lot are counted from 1", r.Ordinal)
	f.add(r.EndNumber < 0, "EndNumber is %d: it must not be negative", r.EndNumber)
	f.belt(r.Belt)
	return f
}

func (r CycleMade) faults() []string {
	var f faultList
	f.id("Seq", r.Seq)
	f.belt(r.Belt)
	f.finite("FilamentMM", r.FilamentMM)
	f.add(r.MachineTime < 0, "MachineTime is %s: it must not be negative", r.MachineTime)
	f.oneOf("Evidence", r.Evidence, EvidenceConfirmed, EvidenceLineNumber)
	return f
}

func (r CycleDischarged) faults() []string {
	var f faultList
	f.id("Seq", r.Seq)
	f.belt(r.Belt)
	return f
}

func (r CycleInterrupted) faults() []string {
	var f faultList
	f.id("Seq", r.Seq)
	f.belt(r.Belt)
	return f
}

func (r CycleDecided) faults() []string {
	var f faultList
	f.id("Seq", r.Seq)
	f.optionalID("CheckID", r.CheckID)
	return f
}

func (r BeltMoved) faults() []string {
	var f faultList
	f.belt(r.Belt)
	return f
}

func (r HoldBegun) faults() []string {
	var f faultList
	f.id("ID", r.ID)
	f.optionalID("LotID", r.LotID)
	f.text("State", r.State)
	f.text("Reason", r.Reason)
	f.count("AtPart", r.AtPart)
	f.notNegative("TravelMM", r.TravelMM)
	return f
}

func (r HoldEnded) faults() []string {
	var f faultList
	f.id("ID", r.ID)
	return f
}

func (r CheckRecorded) faults() []string {
	var f faultList
	c := r.Check
	f.id("ID", c.ID)
	f.optionalID("LotID", c.LotID)
	f.optionalID("Corrects", c.Corrects)
	f.count("Good", c.Good)
	reasons := make([]string, 0, len(c.Scrap))
	for reason := range c.Scrap {
		reasons = append(reasons, reason)
	}
	sort.Strings(reasons) // so that the same mistake always reads the same
	for _, reason := range reasons {
		f.add(reason == "", "Scrap has a count without a reason")
		f.count(fmt.Sprintf("Scrap[%q]", reason), c.Scrap[reason])
	}
	f.add(len(c.DetachedAfter) > c.Scrap[Detached], "DetachedAfter has %d parts, and Scrap[%q] is %d", len(c.DetachedAfter), Detached, c.Scrap[Detached])
	for i, d := range c.DetachedAfter {
		f.add(d < 0, "DetachedAfter[%d] is %v: it must not be negative", i, d)
	}
	f.add(c.LotID == 0 && (c.Good > 0 || Sum(c.Scrap) > 0), "parts are counted without a lot to count them for")
	f.add(c.LotID == 0 && c.JobIndex != nil, "JobIndex is given without a lot")
	f.add(c.JobIndex != nil && *c.JobIndex < 0, "JobIndex is negative")
	if c.OffsetMM != nil {
		f.finite("OffsetMM", *c.OffsetMM)
	}
	for i, v := range c.LengthsMM {
		name := fmt.Sprintf("LengthsMM[%d]", i)
		f.finite(name, v)
		f.add(v <= 0, "%s is %v: a length is above 0", name, v)
	}
	for i, n := range c.SetAside {
		f.add(n < 1, "SetAside[%d] is %d: lengths are numbered from 1", i, n)
	}
	f.add(c.LotID == 0 && (len(c.SetAside) > 0 || c.LengthsAccepted), "lengths are set aside or accepted without a lot")
	if c.SpoolG != nil {
		f.notNegative("SpoolG", *c.SpoolG)
	}
	f.notNegative("TravelMM", c.TravelMM)
	f.finite("AdvanceMM", c.AdvanceMM)
	f.count("CyclesMade", c.CyclesMade)
	return f
}
