package supervisor

import (
	"fmt"
	"slices"
	"strings"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/ledger"
)

// correct takes a check in the place of an earlier one. What was found and done is that of
// the correction; where the belt stood and what was made by then is that of the visit. All
// that follows from the checks is made anew, as a restart would.
func (m *Machine) correct(r Request, out *Output) error {
	const what = "correct the check"
	v, p := r.Visit.counted(), r.Past
	if p == nil || p.Corrected.ID == 0 {
		return &Refusal{What: what, Why: fmt.Sprintf("there is no check %d", v.Corrects), Remedy: "see the checks of the lot", Command: "beltwarden lot show ID"}
	}
	old := p.Corrected
	if old.CorrectedBy != 0 {
		return &Refusal{What: what, Why: fmt.Sprintf("check %d has already been corrected by check %d", old.ID, old.CorrectedBy), Remedy: fmt.Sprintf("correct check %d", old.CorrectedBy)}
	}
	if wrong := append(m.wrongVisit(v), m.wrongCorrection(v, p)...); len(wrong) > 0 {
		return refuseVisit(what, wrong, false)
	}
	c := old
	c.ID, c.Corrects, c.Stamp, c.By, c.Note = m.ids.Check, old.ID, ledger.Stamp{}, r.By, v.Note
	c.OffsetMM, c.LengthsMM, c.Good, c.Scrap = v.OffsetMM, v.LengthsMM, v.Good, v.Scrap
	c.DetachedAfter = v.detachedAfter()
	c.Realigned, c.SpoolG, c.BinEmptied = v.Realigned, v.SpoolG, v.BinEmptied
	if c.LotID != 0 {
		k := v.Job
		c.JobIndex = &k
	}
	checks := slices.Clone(p.Checks)
	at := slices.IndexFunc(checks, func(c ledger.Check) bool { return c.ID == old.ID })
	checks[at] = c
	readings, from := driftOf(checks)
	newest := c.OffsetMM != nil && len(readings) > 0 && !slices.ContainsFunc(checks[at+1:], func(c ledger.Check) bool { return c.Realigned || c.OffsetMM != nil })
	if odd := m.doubts(v, readings, newest && !c.Realigned); len(odd) > 0 {
		return refuseVisit(what, odd, true)
	}
	m.ids.Check++
	out.record(ledger.CheckRecorded{Check: c})
	m.recount(old, c)
	if c.OffsetMM != nil || c.Realigned {
		m.rules.accepted = false
	}
	m.driftFrom(readings, from)
	m.rules.drift.scatter = m.learnScatter(checks)
	m.belt.base.SinceRealignMM = m.belt.base.TravelMM - from.TravelMM
	out.record(ledger.BeltMoved{Belt: m.beltInCycle()})
	m.resize(checks, slices.Equal(old.LengthsMM, c.LengthsMM))
	m.resupply(checks, p.Taken, old.ID)
	out.Result.CheckID, out.Result.LotID = c.ID, c.LotID
	out.Result.Text = fmt.Sprintf("check %d replaces all of check %d: now %s; before %s", c.ID, old.ID, found(c), found(old))
	if m.lot != nil && m.lot.ID == c.LotID {
		m.settleLot(out)
		t := m.lot.total()
		out.Result.Text += fmt.Sprintf("; lot %d is %s with %d good, %d scrap, %d not looked at, %d ordered", m.lot.ID, m.lot.Status,
			t.good, t.scrap+t.torn, t.unverified(), t.ordered)
	}
	m.note(out, "correction", out.Result.Text)
	return nil
}

// wrongCorrection lists what a correction cannot say.
func (m *Machine) wrongCorrection(v *Visit, p *Past) []Fault {
	var wrong []Fault
	say := func(is bool, field, format string, a ...any) {
		if is {
			wrong = append(wrong, Fault{field, fmt.Sprintf(format, a...)})
		}
	}
	say(v.Interrupted != "", "interrupted", "a correction cannot change the decision on an interrupted part")
	say(v.SeamMM != nil, "seam_mm", "record the seam in a new check")
	say(len(v.SetAside) > 0 || v.AcceptLengths, "set_aside", "record lengths set aside or accepted in a new check")
	say(len(v.Did) > 0, "did", "record care in a new check")
	say(v.Surface != "", "surface", "record a new surface in a new check")
	say(v.BeltCleared && !p.Corrected.BeltCleared, "belt_cleared", "record a cleared belt in a new check, when you clear it")
	old, scrap := p.Corrected, sum(v.Scrap)
	if old.LotID == 0 {
		say(v.Good != 0 || scrap != 0, "good", "check %d belongs to no lot, so there are no parts to count", old.ID)
		return wrong
	}
	if v.Job < 0 || v.Job >= len(p.Counts.ByJob) {
		say(true, "job", "lot %d has no job %d", old.LotID, v.Job+1)
		return wrong
	}
	j := p.Counts.ByJob[v.Job]
	left := j.Confirmed - j.CheckedGood - j.CheckedScrap
	if jobOf(old) == v.Job {
		left += old.Good + sum(old.Scrap)
	}
	say(v.Good+scrap > left, "good", "%d good and %d scrap are more than the %d parts made and not counted by other checks", v.Good, scrap, left)
	return wrong
}

// jobOf is the job that a check's counts are for.
func jobOf(c ledger.Check) int {
	if c.JobIndex == nil {
		return 0
	}
	return *c.JobIndex
}

func sum(counts map[string]int) int {
	n := 0
	for _, c := range counts {
		n += c
	}
	return n
}

// recount takes the counts of one check back and those of another in.
func (m *Machine) recount(old, c ledger.Check) {
	if m.lot == nil || m.lot.ID != c.LotID {
		return
	}
	was, is := &m.lot.jobs[jobOf(old)], &m.lot.jobs[jobOf(c)]
	was.good, was.scrap = was.good-old.Good, was.scrap-sum(old.Scrap)
	is.good, is.scrap = is.good+c.Good, is.scrap+sum(c.Scrap)
}

// driftOf is what checks in force say of the lateral offset: the readings since the last
// realignment, and where that was.
func driftOf(checks []ledger.Check) (readings []belt.Reading, from belt.Reading) {
	for _, c := range checks {
		switch {
		case c.Realigned: // its own offset was read before, and tells of the way until there
			readings, from = nil, belt.Reading{TravelMM: c.TravelMM, AdvanceMM: c.AdvanceMM}
		case c.OffsetMM != nil:
			readings = append(readings, belt.Reading{TravelMM: c.TravelMM, AdvanceMM: c.AdvanceMM, OffsetMM: *c.OffsetMM})
		}
	}
	return readings, from
}

// driftFrom begins the drift anew from readings, and keeps what is known of their scatter.
func (m *Machine) driftFrom(readings []belt.Reading, from belt.Reading) {
	m.rules.drift = drift{readings: readings, from: from, scatter: m.rules.drift.scatter}
}

// resize goes through the lengths of the lot again. A signal that the operator has gone on
// against stays answered while the lengths are what they were.
func (m *Machine) resize(checks []ledger.Check, same bool) {
	if m.lot == nil {
		return
	}
	before := m.lot.sizes.signal
	m.takeUpSizes(checks)
	if same && before == "" {
		m.lot.sizes.signal = ""
	}
}

// resupply finds the newest word on spool and bin again. taken has the corrected check by
// the number old, since the new one is not kept yet.
func (m *Machine) resupply(checks []ledger.Check, taken map[int64]ledger.Taken, old int64) {
	s := &m.supply
	since := func(c *ledger.Check) ledger.Taken {
		if c.Corrects == old {
			return taken[old]
		}
		return taken[c.ID]
	}
	*s = supply{}
	if c := newestOf(checks, weighs); c != nil {
		s.weighed, s.spoolG, s.usedMM = true, *c.SpoolG-m.set.SpoolTareG, since(c).FilamentMM
		s.fromMM = m.belt.latest.FilamentMM
		if m.lot != nil { // the cycle in progress is counted as a whole one
			s.fromMM = m.lot.filamentMM
			if y := m.cycle; y != nil && !y.made {
				s.fromMM += y.lot.Jobs[y.job].FilamentMMPerCycle
			}
		}
	}
	if c := newestOf(checks, empties); c != nil {
		s.emptied, s.binned = true, since(c).Parts
	}
}

// found says in words what a check reports.
func found(c ledger.Check) string {
	words := []string{fmt.Sprintf("%d good", c.Good), fmt.Sprintf("%d scrap", sum(c.Scrap))}
	if c.OffsetMM != nil {
		words = append(words, fmt.Sprintf("offset %+.2f mm", *c.OffsetMM))
	}
	for _, mm := range c.LengthsMM {
		words = append(words, fmt.Sprintf("length %.2f mm", mm))
	}
	if c.Realigned {
		words = append(words, "realigned")
	}
	if c.SpoolG != nil {
		words = append(words, fmt.Sprintf("spool %.0f g", *c.SpoolG))
	}
	if c.BinEmptied {
		words = append(words, "bin emptied")
	}
	return strings.Join(words, ", ")
}
