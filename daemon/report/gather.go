package report

import (
	"fmt"
	"maps"
	"slices"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor/ledger"
)

// belt gathers where the belt went.
func (s *source) belt() Belt {
	c := &s.course
	b := Belt{TravelMM: c.ToMM - c.FromMM, UncertainMM: c.UncertainMM, LimitMM: s.setting.OffsetLimitMM, Offsets: []Offset{}, Rescaled: []Rescaled{}}
	for _, cycle := range slices.Sorted(maps.Keys(c.ByCycle)) { // in one order, so that a report is the same twice
		b.PartsMM += c.ByCycle[cycle]
	}
	if s.counts.Good > 0 {
		each := b.TravelMM / float64(s.counts.Good)
		b.PerGoodMM = &each
	}
	for _, v := range s.visits {
		if v.OffsetMM != nil || v.Realigned {
			b.Offsets = append(b.Offsets, Offset{v.ID, v.At.In(s.zone), v.TravelMM - c.FromMM, v.OffsetMM, v.Realigned})
		}
	}
	for i, r := range c.Rescaled {
		if i > 0 && r.Stored && r.NewStepsPerMM == c.Rescaled[i-1].NewStepsPerMM {
			continue // the same change again, stored in the board
		}
		b.Rescaled = append(b.Rescaled, Rescaled{s.at(r.Stamp), r.TravelMM - c.FromMM, r.OldStepsPerMM, r.NewStepsPerMM})
	}
	return b
}

// filament sums up what the parts took.
func (s *source) filament() (f Filament) {
	for _, c := range s.cycles {
		part := s.lot.Jobs[c.JobIndex].FilamentMMPerCycle
		if c.Made.Seq == 0 {
			f.AtMostMM += part
			continue
		}
		f.TotalMM += c.FilamentMM
		f.FilesMM += part
	}
	f.AtMostMM += f.TotalMM
	return f
}

func (s *source) visitList() []Visit {
	list := make([]Visit, 0, len(s.checks))
	for _, c := range s.checks {
		v := Visit{ID: c.ID, At: c.At.In(s.zone), By: c.By, OffsetMM: c.OffsetMM, LengthsMM: c.LengthsMM, SetAside: c.SetAside, LengthsAccepted: c.LengthsAccepted, Good: c.Good, Scrap: c.Scrap,
			Realigned: c.Realigned, BeltCleared: c.BeltCleared, SpoolG: c.SpoolG, BinEmptied: c.BinEmptied, Note: c.Note,
			TravelMM: c.TravelMM - s.course.FromMM, Made: c.CyclesMade, Corrects: c.Corrects, CorrectedBy: c.CorrectedBy}
		if c.JobIndex != nil {
			v.Job = *c.JobIndex + 1
		}
		for _, d := range c.DetachedAfter {
			v.DetachedMin = append(v.DetachedMin, d.Minutes())
		}
		list = append(list, v)
	}
	return list
}

// visitTimes counts how often somebody was at the machine: checks with the belt
// unmoved between them are one visit, as of a lot of several jobs.
func visitTimes(visits []ledger.Check) int {
	n := 0
	for i, v := range visits {
		if i == 0 || v.TravelMM != visits[i-1].TravelMM {
			n++
		}
	}
	return n
}

func (s *source) holdList() []Hold {
	list := make([]Hold, 0, len(s.holds))
	for _, h := range s.holds {
		v := Hold{ID: h.ID, State: h.State, Reason: h.Reason, Text: h.Text, AtPart: h.AtPart, TravelMM: h.TravelMM - s.course.FromMM,
			Begun: s.at(h.Begun), Ended: s.when(h.Ended), How: h.How, By: h.By, Override: h.Override}
		long, exact := s.times.Length(h.Begun, h.Ended, s.now)
		v.LengthS, v.ByWall = long.Seconds(), !exact
		list = append(list, v)
	}
	return list
}

func (s *source) interruptions() []Interruption {
	list := []Interruption{}
	for _, c := range s.cycles {
		if c.Interrupted.Seq == 0 {
			continue
		}
		v := Interruption{Part: c.Ordinal, Job: c.JobIndex + 1, At: s.at(c.Interrupted), Reason: c.Reason}
		if c.Decided.Seq > 0 {
			v.Found, v.Decided, v.Visit, v.Note = "scrap", s.when(c.Decided), c.CheckID, c.Note
			switch {
			case c.Good:
				v.Found = "good"
			case c.State == ledger.CycleStateVoid:
				v.Found = foundVoid
			}
			if i := slices.IndexFunc(s.checks, func(k ledger.Check) bool { return k.ID == c.CheckID }); i >= 0 {
				v.By = s.checks[i].By
			}
		}
		list = append(list, v)
	}
	return list
}

func (s *source) parts() []Part {
	list := make([]Part, 0, len(s.cycles))
	for _, c := range s.cycles {
		p := Part{Number: c.Ordinal, Job: c.JobIndex + 1, State: c.State, Begun: s.at(c.Begun), CycleS: cycleS(c), MakingS: makingS(c), Evidence: c.Evidence}
		if c.State == ledger.CycleStateDecided {
			p.Good = &c.Good
		}
		if mm, ok := s.course.ByCycle[c.Seq]; ok {
			p.TravelMM = &mm
		}
		if c.Made.Seq > 0 {
			p.FilamentMM = &c.FilamentMM
		}
		list = append(list, p)
	}
	return list
}

// provisional says why figures can still change: outside in words for anybody, and
// inside with the reasons of the workshop.
func (s *source) provisional() (outside, inside []string) {
	c := &s.counts
	say := func(is bool, out, in string) {
		if is {
			outside, inside = append(outside, out), append(inside, in)
		}
	}
	found := fmt.Sprintf("%d of %d ordered parts have been found good so far", c.Good, c.Ordered)
	say(s.lot.Status == ledger.LotOpen, "the lot is in progress: "+found, "the lot is open: "+found)
	say(s.lot.Status == ledger.LotMade, "the lot is being inspected: "+found, "all parts are made, and the lot is not closed: "+found)
	say(s.lot.Status == ledger.LotEnded && c.Good < c.Ordered, "the lot was ended before all ordered parts are good: "+found,
		"the lot was given up: "+found)
	if s.lot.Status == ledger.LotClosed {
		return outside, inside
	}
	say(c.Unverified > 0, wording.Count(c.Unverified, "part")+" made, and not yet looked at", wording.Count(c.Unverified, "part")+" made that nobody has looked at; not counted good")
	if c.Interrupted > 0 {
		inside = append(inside, wording.Count(c.Interrupted, "interrupted part")+" not decided yet: good or scrap")
	}
	if c.Running > 0 {
		inside = append(inside, "a part is being made")
	}
	return outside, inside
}

// remarks say what was not recorded, and what figures rest on.
func (s *source) remarks(w *Workshop) []string {
	list := []string{"Good and scrap are what people found at visits; the machine counts only what it made. How many parts were delivered is not recorded."}
	say := func(is bool, text string) {
		if is {
			list = append(list, text)
		}
	}
	perJob := 0
	for _, j := range s.counts.ByJob {
		perJob += j.CheckedGood + j.InterruptedGood
	}
	say(perJob != s.counts.Good, "Some visits counted the lot as a whole, so that the jobs' good parts do not add up to the lot's.")
	say(s.lot.Status == ledger.LotClosed && s.counts.Unverified > 0, fmt.Sprintf("%s more made than were looked at when the lot was closed. They are counted neither good nor scrap.", wording.Count(s.counts.Unverified, "part")))
	say(w.Machine == "", "The name of the machine is not in the ledger.")
	say(w.Belt.LimitMM <= 0, "The limit of the lateral offset is not in the ledger.")
	say(s.setting.FilamentGPerMM <= 0, "The mass of the filament is not in the ledger, so filament is given in metres only.")
	say(s.setting.FilamentGPerMM > 0, "The mass of filament is computed from its length by the diameter and density that are configured now.")
	say(len(w.Interruptions) > 0, fmt.Sprintf("How much filament went into %s is not recorded.", wording.Count(len(w.Interruptions), "interrupted part")))
	say(w.Production.UnseenS >= 60, "While no daemon ran, nothing was recorded; no figure includes that time.")
	say(w.Production.UnseenStarts > 0, fmt.Sprintf("How long no daemon ran before %s is not known, since the clock was set.", wording.Count(w.Production.UnseenStarts, "start")))
	say(true, "Which part a measured length belongs to is not recorded; lengths are listed in the order in which they were recorded.")
	say(true, "Times of day are by the computer's clock; lengths of time within one start of the daemon do not depend on it.")
	return list
}
